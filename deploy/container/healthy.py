"""Asks the service in the same container whether it is alive; exits with 0 where it is, else with 1.

Encrypted or not, on whichever of the two it answers. Its certificate is made for the names that people use, and is not
looked at here: the question goes to this machine, and nothing but a yes or a no comes back.
"""

import http.client
import os
import ssl
import sys

PORT = int(os.environ.get("RIDETHROUGH_PORT", "8470"))


def answer(connection: http.client.HTTPConnection) -> int:
    """Return the status of the answer."""
    try:
        connection.request("GET", "/health/live", headers={"Host": f"127.0.0.1:{PORT}"})
        return connection.getresponse().status
    finally:
        connection.close()


def alive() -> bool:
    """Return whether the service says that it is."""
    ways = (
        lambda: http.client.HTTPConnection("127.0.0.1", PORT, timeout=4),
        lambda: http.client.HTTPSConnection(
            "127.0.0.1",
            PORT,
            timeout=4,
            context=ssl._create_unverified_context(),  # noqa: S323 - see above
        ),
    )
    for way in ways:
        try:
            return answer(way()) == 200
        except (OSError, http.client.HTTPException):
            continue
    return False


if __name__ == "__main__":
    sys.exit(0 if alive() else 1)
