"""An HTTP POST with a JSON body. The address may itself be a secret, so no error repeats more than its host."""

from __future__ import annotations

import json
import urllib.error
import urllib.request
from dataclasses import dataclass
from http.client import HTTPException, HTTPMessage
from typing import IO
from urllib.parse import urlsplit

from otherroof import __version__
from otherroof.base.errors import Undelivered, WrongSettings
from otherroof.settings.alerting import web_address
from otherroof.watch.channels.port import Message
from otherroof.watch.channels.secrets import read_secret, tls_context


@dataclass(frozen=True, slots=True)
class WebhookChannel:
    """A POST to `url`, or to the address in the file `url_path`; `token_path` holds a bearer token (RFC 6750 §2.1)."""

    url: str
    answer_s: float
    url_path: str = ""
    token_path: str = ""
    ca_path: str = ""

    def deliver(self, message: Message) -> str:
        """Post the message; any answer from 200 to 299 counts as taken."""
        url = self.url or _address_in(self.url_path)
        host = urlsplit(url).hostname or ""
        opener = urllib.request.build_opener(
            # No proxy from the environment: where messages go is in the settings and nowhere else.
            urllib.request.ProxyHandler({}),
            urllib.request.HTTPSHandler(context=tls_context(self.ca_path)),
            _NoRedirect(),
        )
        try:
            # The status says it all; the body is not read, so that no server can make us wait for its end.
            with opener.open(self._request(url, message), timeout=self.answer_s):
                pass
        except urllib.error.HTTPError as problem:
            # The error is the answer itself, with its connection; it is closed here.
            with problem:
                raise Undelivered(
                    f"the web server answered {problem.code} {problem.reason}",
                    where=host,
                    advice="check url and token_file of this channel",
                ) from problem
        except (OSError, HTTPException, ValueError) as problem:
            raise Undelivered(_said(problem), where=host, advice="check that the address is right and up") from problem
        return ""

    def _request(self, url: str, message: Message) -> urllib.request.Request:
        headers = {"Content-Type": "application/json; charset=utf-8", "User-Agent": f"otherroof/{__version__}"}
        if self.token_path:
            headers["Authorization"] = f"Bearer {read_secret(self.token_path)}"
        return urllib.request.Request(url, data=as_json(message).encode(), headers=headers, method="POST")


def as_json(message: Message) -> str:
    """The message for a program: what a person would read, and the facts behind it."""
    body = {
        "id": message.id,
        "kind": message.kind,
        "about": message.about,
        "subject": message.line,
        "text": message.text,
        "facts": json.loads(message.facts),
    }
    return json.dumps(body, ensure_ascii=False)


class _NoRedirect(urllib.request.HTTPRedirectHandler):
    """A redirect would send the message, and the token, to a place that is not in the settings."""

    def redirect_request(
        self, req: urllib.request.Request, fp: IO[bytes], code: int, msg: str, headers: HTTPMessage, newurl: str
    ) -> None:
        return None


def _address_in(path: str) -> str:
    try:
        return web_address(read_secret(path))
    except ValueError as problem:
        raise WrongSettings(str(problem), where=path, advice="correct the address in this file") from problem


def _said(problem: Exception) -> str:
    # URLError wraps the socket's own error as its reason; a time-out while reading comes without a wrapper.
    reason = getattr(problem, "reason", problem)
    if isinstance(reason, TimeoutError):
        return "the web server did not answer in time"
    return f"the web server cannot be reached: {getattr(reason, 'strerror', None) or reason}"
