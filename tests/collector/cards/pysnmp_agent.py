"""An SNMPv3 agent made of pysnmp, an implementation that shares nothing with ours; run as a program of its own.

Usage: pysnmp_agent.py PORT. It holds the standard's system group and users named by their algorithms.
"""

import asyncio
import sys

from pysnmp.carrier.asyncio.dgram import udp
from pysnmp.entity import config, engine
from pysnmp.entity.rfc3413 import cmdrsp, context

AUTH = {
    "md5": config.USM_AUTH_HMAC96_MD5,
    "sha1": config.USM_AUTH_HMAC96_SHA,
    "sha224": config.USM_AUTH_HMAC128_SHA224,
    "sha256": config.USM_AUTH_HMAC192_SHA256,
    "sha384": config.USM_AUTH_HMAC256_SHA384,
    "sha512": config.USM_AUTH_HMAC384_SHA512,
}
PRIVACY = {
    "des": config.USM_PRIV_CBC56_DES,
    "aes128": config.USM_PRIV_CFB128_AES,
    "aes192": config.USM_PRIV_CFB192_AES,
    "aes256": config.USM_PRIV_CFB256_AES,
    "aes192hashed": config.USM_PRIV_CFB192_AES_BLUMENTHAL,
    "aes256hashed": config.USM_PRIV_CFB256_AES_BLUMENTHAL,
}


def main() -> None:
    loop = asyncio.new_event_loop()
    asyncio.set_event_loop(loop)
    snmp = engine.SnmpEngine()
    config.add_transport(
        snmp, udp.DOMAIN_NAME, udp.UdpTransport().open_server_mode(("127.0.0.1", int(sys.argv[1])))
    )
    for auth, auth_protocol in AUTH.items():
        for privacy, privacy_protocol in PRIVACY.items():
            user = f"{auth}-{privacy}"
            config.add_v3_user(snmp, user, auth_protocol, "maple-leaf-7", privacy_protocol, "river-stone-8")
            config.add_vacm_user(snmp, 3, user, "authPriv", (1, 3, 6), ())
            config.add_vacm_user(snmp, 3, user, "authNoPriv", (1, 3, 6), ())
    cmdrsp.GetCommandResponder(snmp, context.SnmpContext(snmp))
    snmp.transport_dispatcher.job_started(1)
    snmp.open_dispatcher()


if __name__ == "__main__":
    main()
