"""A mail server for tests: it speaks enough of SMTP (RFC 5321) to take messages from a real client, and keeps them."""

from __future__ import annotations

import socketserver
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from email import message_from_bytes
from email.message import Message


class SmtpSink(socketserver.ThreadingTCPServer):
    """Listens on a free port of this machine; `refusals` messages are refused first, with a temporary error."""

    allow_reuse_address = True
    daemon_threads = True

    def __init__(self) -> None:
        super().__init__(("127.0.0.1", 0), _Session)
        self.messages: list[Message] = []
        self.refusals = 0

    @property
    def port(self) -> int:
        port: int = self.server_address[1]
        return port


class _Session(socketserver.StreamRequestHandler):
    server: SmtpSink

    def handle(self) -> None:
        self._say("220 sink ready")
        while line := self.rfile.readline():
            verb = line.split(maxsplit=1)[0].upper() if line.strip() else b""
            if verb == b"QUIT":
                self._say("221 bye")
                return
            if verb == b"DATA":
                self._take()
            elif verb in (b"EHLO", b"HELO", b"MAIL", b"RCPT", b"RSET", b"NOOP"):
                self._say("250 ok")
            else:
                self._say("502 not spoken here")

    def _take(self) -> None:
        self._say("354 go ahead")
        lines = []
        while (line := self.rfile.readline()) not in (b".\r\n", b""):
            lines.append(line[1:] if line.startswith(b"..") else line)  # RFC 5321, 4.5.2
        if self.server.refusals > 0:
            self.server.refusals -= 1
            self._say("451 try again later")
            return
        self.server.messages.append(message_from_bytes(b"".join(lines)))
        self._say("250 kept")

    def _say(self, text: str) -> None:
        self.wfile.write(f"{text}\r\n".encode())


@contextmanager
def smtp_sink() -> Iterator[SmtpSink]:
    """A running sink; it is gone when the block ends."""
    with SmtpSink() as sink:
        thread = threading.Thread(target=sink.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True)
        thread.start()
        try:
            yield sink
        finally:
            sink.shutdown()
            thread.join()


def text_of(message: Message) -> str:
    """The plain text of a message, of whatever structure."""
    for part in message.walk():
        if part.get_content_type() == "text/plain":
            payload = part.get_payload(decode=True)
            assert isinstance(payload, bytes)
            return payload.decode(part.get_content_charset() or "utf-8")
    raise AssertionError("the message has no plain text")
