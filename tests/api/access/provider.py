"""An OpenID provider as a process of its own, by a library that the service does not use: python -m tests.api.access.provider

It knows one client, lets `?as=NAME` in as that person, and signs with a key of its own. The flow, its codes and PKCE are the
library's.
"""

from __future__ import annotations

import base64
import json
import time
from http.server import BaseHTTPRequestHandler, HTTPServer
from typing import Any
from urllib.parse import parse_qs, urlsplit

from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import padding, rsa
from oauthlib.openid import RequestValidator, Server

CLIENT, SECRET = "ridethrough-yard", "a secret of both"


def octets(data: bytes) -> str:
    return base64.urlsafe_b64encode(data).rstrip(b"=").decode()


def number(value: int) -> str:
    return octets(value.to_bytes((value.bit_length() + 7) // 8, "big"))


class Key:
    """What identities are signed by (RS256)."""

    def __init__(self) -> None:
        self._private = rsa.generate_private_key(public_exponent=65537, key_size=2048)

    def signed(self, claims: dict[str, Any], alg: str = "RS256") -> str:
        head = {"alg": alg, "typ": "JWT", "kid": "one"}
        text = ".".join(octets(json.dumps(part).encode()) for part in (head, claims))
        if alg == "none":
            return f"{text}."
        return f"{text}.{octets(self._private.sign(text.encode(), padding.PKCS1v15(), hashes.SHA256()))}"

    def public(self) -> dict[str, Any]:
        numbers = self._private.public_key().public_numbers()
        one = {
            "kty": "RSA",
            "use": "sig",
            "alg": "RS256",
            "kid": "one",
            "n": number(numbers.n),
            "e": number(numbers.e),
        }
        return {"keys": [one]}


class Validator(RequestValidator):  # type: ignore[misc]
    """What the library asks of whoever keeps clients and codes."""

    def __init__(self, issuer: str, key: Key) -> None:
        super().__init__()
        self._issuer, self._key = issuer, key
        self.codes: dict[str, dict[str, Any]] = {}

    def validate_client_id(self, client_id: str, request: Any, *_: Any, **__: Any) -> bool:
        return client_id == CLIENT

    def validate_redirect_uri(self, client_id: str, redirect_uri: str, *_: Any, **__: Any) -> bool:
        return redirect_uri == "http://127.0.0.1:8470/sign-in/openid/back"

    def validate_response_type(self, client_id: str, response_type: str, *_: Any, **__: Any) -> bool:
        return response_type == "code"

    def validate_scopes(self, client_id: str, scopes: list[str], *_: Any, **__: Any) -> bool:
        return set(scopes) <= {"openid", "profile", "email"}

    def validate_user_match(self, *_: Any, **__: Any) -> bool:
        return True

    def is_pkce_required(self, client_id: str, request: Any) -> bool:
        return True

    def save_authorization_code(
        self, client_id: str, code: dict[str, Any], request: Any, *_: Any, **__: Any
    ) -> None:
        self.codes[code["code"]] = {
            "challenge": request.code_challenge,
            "method": request.code_challenge_method,
            "nonce": request.nonce,
            "user": request.user,
            "redirect_uri": request.redirect_uri,
        }

    def authenticate_client(self, request: Any, *_: Any, **__: Any) -> bool:
        shown = request.headers.get("Authorization", "")
        right = "Basic " + base64.b64encode(f"{CLIENT}:{SECRET}".encode()).decode()
        request.client = type("Client", (), {"client_id": CLIENT})()
        request.client_id = CLIENT
        return bool(shown == right)

    def validate_code(self, client_id: str, code: str, client: Any, request: Any, *_: Any, **__: Any) -> bool:
        kept = self.codes.get(code)
        if kept is None:
            return False
        request.user, request.scopes = kept["user"], ["openid", "profile"]
        return True

    def confirm_redirect_uri(self, client_id: str, code: str, redirect_uri: str, *_: Any, **__: Any) -> bool:
        return bool(self.codes[code]["redirect_uri"] == redirect_uri)

    def validate_grant_type(self, client_id: str, grant_type: str, *_: Any, **__: Any) -> bool:
        return grant_type == "authorization_code"

    def get_code_challenge(self, code: str, request: Any) -> str:
        return str(self.codes[code]["challenge"])

    def get_code_challenge_method(self, code: str, request: Any) -> str:
        return str(self.codes[code]["method"])

    def get_authorization_code_scopes(self, *_: Any, **__: Any) -> list[str]:
        return ["openid", "profile"]

    def get_authorization_code_nonce(self, client_id: str, code: str, *_: Any, **__: Any) -> str:
        return str(self.codes[code]["nonce"])

    def invalidate_authorization_code(self, client_id: str, code: str, *_: Any, **__: Any) -> None:
        del self.codes[code]

    def save_bearer_token(self, *_: Any, **__: Any) -> None:
        """Keep nothing: nobody asks for a resource."""

    def finalize_id_token(self, id_token: dict[str, Any], *given: Any) -> str:
        request = given[-1]
        now = int(time.time())
        claims = {
            **id_token, "iss": self._issuer, "sub": f"id of {request.user}", "iat": now, "exp": now + 300,
            "preferred_username": request.user,
        }  # fmt: skip
        return self._key.signed(claims)


def handler_of(issuer: str) -> type[BaseHTTPRequestHandler]:
    key = Key()
    server = Server(Validator(issuer, key))
    about = {
        "issuer": issuer,
        "authorization_endpoint": f"{issuer}/authorize",
        "token_endpoint": f"{issuer}/token",
        "jwks_uri": f"{issuer}/keys",
    }

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            path = urlsplit(self.path).path
            if path == "/authorize":
                person = parse_qs(urlsplit(self.path).query).get("as", ["amir"])[0]
                uri = f"{issuer}{self.path}"
                scopes, asked = server.validate_authorization_request(uri, "GET", None, {})
                asked.pop("request", None)
                self._say(
                    *server.create_authorization_response(
                        uri, "GET", None, {}, scopes, {**asked, "user": person}
                    )
                )
            elif path == "/keys":
                self._say({}, json.dumps(key.public()), 200)
            else:
                self._say({}, json.dumps(about), 200)

        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"])).decode()
            self._say(*server.create_token_response(f"{issuer}/token", "POST", body, dict(self.headers)))

        def _say(self, headers: dict[str, str], body: str | None, status: int) -> None:
            self.send_response(status)
            for name, value in headers.items():
                self.send_header(name, value)
            self.end_headers()
            self.wfile.write((body or "").encode())

        def log_message(self, *_: object) -> None:
            """Say nothing."""

    return Handler


def main() -> None:
    """Say at which port, and serve until it is ended. The system gives a port that nobody else has."""
    with HTTPServer(("127.0.0.1", 0), BaseHTTPRequestHandler) as server:
        server.RequestHandlerClass = handler_of(f"http://127.0.0.1:{server.server_port}")
        print(server.server_port, flush=True)
        server.serve_forever()


if __name__ == "__main__":
    main()
