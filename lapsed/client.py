"""Talking to a running daemon through its API, from another command."""

import http.client
import json
from contextlib import closing
from pathlib import Path
from typing import Any

from lapsed.errors import RetryError, UserError
from lapsed.settings import Settings

CONNECT_WITHIN_S = 2.0


class Client:
    """The daemon of one configuration."""

    def __init__(self, host: str, port: int, token: str | None) -> None:
        self._host = host
        self._port = port
        self._token = token

    def get(self, path: str, within_s: float = 10.0) -> Any:
        """The answer to a GET. Raises RetryError if no daemon answers, UserError with what it says against it."""
        return self._ask("GET", path, None, within_s)

    def post(self, path: str, wish: object, within_s: float = 10.0) -> Any:
        """The answer to a POST of `wish` as JSON; raises as `get`."""
        return self._ask("POST", path, json.dumps(wish).encode(), within_s)

    def _ask(self, method: str, path: str, body: bytes | None, within_s: float) -> Any:
        headers = {"Content-Type": "application/json"} if body is not None else {}
        if self._token is not None:
            headers["Authorization"] = f"Bearer {self._token}"
        try:
            connection = http.client.HTTPConnection(self._host, self._port, timeout=CONNECT_WITHIN_S)
            with closing(connection):
                connection.connect()
                connection.sock.settimeout(within_s)
                connection.request(method, path, body, headers)
                answer = connection.getresponse()
                told = json.loads(answer.read())
        except (OSError, http.client.HTTPException, ValueError) as error:
            reason = getattr(error, "strerror", None) or str(error) or "no answer in time"
            raise RetryError(
                f"no daemon answers at {self._host} port {self._port} ({reason}); is lapsed run at work?"
            ) from error
        if answer.status >= 500 or answer.status == 429:
            raise RetryError(str(told.get("error", answer.status)))
        if answer.status >= 400:
            raise UserError(str(told.get("error", answer.status)))
        return told


def of(settings: Settings) -> Client:
    """The client for the daemon that runs with these settings. Raises UserError where it serves no API."""
    web = settings.web
    if not web.serve:
        raise UserError("the daemon serves no API: serve = false in [web]")
    address = web.address
    if address in ("", "0.0.0.0", "::"):  # noqa: S104 - what the daemon listens on, reached from this computer
        address = "127.0.0.1"
    file = web.token_file or settings.store.folder / "token"
    return Client(address, web.port, _token(file.expanduser()))


def _token(path: Path) -> str | None:
    try:
        return path.read_text().strip() or None
    except OSError:
        return None  # there is none on loopback, or it is not ours to read: the daemon will say so
