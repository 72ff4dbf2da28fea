"""Keys and ciphers against the vectors of RFC 3414 and RFC 4231."""

import pytest

from collector.cards.snmp.credentials import Auth, Privacy
from collector.cards.snmp.keys import (
    DIGESTS,
    Extension,
    decrypt,
    encrypt,
    localised,
    needs_extension,
    password_to_key,
    privacy_key,
    sign,
)

ENGINE = bytes.fromhex("000000000000000000000002")


@pytest.mark.parametrize(
    ("auth", "key", "local"),
    [
        (Auth.MD5, "9faf3283884e92834ebc9847d8edd963", "526f5eed9fcce26f8964c2930787d82b"),  # RFC 3414, A.3.1
        (
            Auth.SHA1,
            "9fb5cc0381497b3793528939ff788d5d79145211",
            "6695febc9288e36282235fc7151f128497b38f3f",
        ),  # RFC 3414, A.3.2
    ],
)
def test_keys_of_rfc_3414(auth: Auth, key: str, local: str) -> None:
    assert password_to_key(auth, b"maplesyrup").hex() == key
    assert localised(auth, bytes.fromhex(key), ENGINE).hex() == local


@pytest.mark.parametrize(
    ("auth", "digest"),
    [  # RFC 4231, 4.2: key of twenty octets 0x0b, data "Hi There"
        (Auth.SHA224, "896fb1128abbdf196832107cd49df33f47b4b1169912ba4f53684b22"),
        (Auth.SHA256, "b0344c61d8db38535ca8afceaf0bf12b881dc200c9833da726e9376c2e32cff7"),
        (
            Auth.SHA384,
            "afd03944d84895626b0825f4ab46907f15f9dadbe4101ec682aa034c7cebc59cfaea9ea9076ede7f4af152e8b2fa9cb6",
        ),
        (
            Auth.SHA512,
            "87aa7cdea5ef619d4ff0b4241a1d6cb02379f4e2ce4ec2787ad0b30545e17cdedaa833b7d6b8a702038b274eaea3f4e4be9d914eeb61f1702e696c203a126854",
        ),
    ],
)
def test_digests_of_rfc_4231_cut_as_rfc_7860_says(auth: Auth, digest: str) -> None:
    octets = {Auth.SHA224: 16, Auth.SHA256: 24, Auth.SHA384: 32, Auth.SHA512: 48}[auth]
    assert DIGESTS[auth].octets == octets
    assert sign(auth, b"\x0b" * 20, b"Hi There").hex() == digest[: 2 * octets]


@pytest.mark.parametrize("privacy", [Privacy.DES, Privacy.AES128, Privacy.AES192, Privacy.AES256])
def test_what_is_encrypted_is_decrypted(privacy: Privacy) -> None:
    key = privacy_key(Auth.SHA1, b"river-stone-8", ENGINE, privacy, Extension.HASHED)
    secret, parameters = encrypt(privacy, key, 7, 4711, 99, b"a scoped PDU")
    assert b"scoped" not in secret
    assert decrypt(privacy, key, 7, 4711, parameters, secret)[:12] == b"a scoped PDU"


def test_the_two_ways_to_lengthen_a_key_share_their_beginning() -> None:
    ways = [privacy_key(Auth.SHA1, b"river-stone-8", ENGINE, Privacy.AES256, way) for way in Extension]
    assert ways[0] != ways[1]
    assert (
        ways[0][:20]
        == ways[1][:20]
        == localised(Auth.SHA1, password_to_key(Auth.SHA1, b"river-stone-8"), ENGINE)
    )
    assert not needs_extension(Auth.SHA256, Privacy.AES256)
    assert needs_extension(Auth.SHA224, Privacy.AES256)


def test_an_empty_password_is_a_mistake() -> None:
    with pytest.raises(ValueError, match="empty"):
        password_to_key(Auth.MD5, b"")
