"""What the estate file lets us show a card."""

from __future__ import annotations

from collector.cards.snmp.credentials import Auth, Community, Credentials, Privacy, User, Version
from collector.configuration import secrets


def credentials_of(
    secret: secrets.CommunitySecret | secrets.SnmpUser, version: str | None = None
) -> Credentials:
    """Return what a secret of the secrets file lets us show; `version` as in the estate file ("1", "2c", "3").

    Raises ValueError where version and kind of secret do not go together.
    """
    if isinstance(secret, secrets.CommunitySecret):
        chosen = Version(version or Version.V2C)
        if chosen is Version.V3:
            raise ValueError("SNMPv3 needs a user, not a community")
        return Community(secret.community.reveal().encode(), chosen)
    if version not in {None, Version.V3}:
        raise ValueError(f"SNMP version {version} needs a community, not a user")
    return User(
        name=secret.user.reveal(),
        auth=Auth(secret.auth or Auth.NONE),
        auth_secret=secret.auth_key.reveal().encode() if secret.auth_key else b"",
        privacy=Privacy(secret.privacy or Privacy.NONE),
        privacy_secret=secret.privacy_key.reveal().encode() if secret.privacy_key else b"",
    )
