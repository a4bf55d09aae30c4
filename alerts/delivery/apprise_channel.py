"""Alerts by mail, webhook, chat and push, over the services that the Apprise library reaches."""

from __future__ import annotations

from typing import Any
from urllib.parse import unquote, urlsplit

from alerts.alert import Severity
from alerts.delivery.channel import Message, body, title
from gylewatch.errors import ConfigError, DeliveryError


class AppriseChannel:
    """One Apprise address.

    Parameters
    ----------
    name : of the entry in the configuration
    url : the Apprise address; it may hold a password and is never shown

    Raises
    ------
    ConfigError
        The address is not one that Apprise understands; the message names the entry.
    """

    def __init__(self, name: str, url: str) -> None:
        # Imported here: it costs half a second and 25 MiB, which a service without such a channel need not pay.
        import apprise  # noqa: PLC0415

        self._name = name
        self._secrets = _secrets(url)
        self._types = {
            Severity.INFO: apprise.NotifyType.INFO,
            Severity.WARNING: apprise.NotifyType.WARNING,
            Severity.CRITICAL: apprise.NotifyType.FAILURE,
        }
        self._resolved = apprise.NotifyType.SUCCESS
        self._plain_text = apprise.NotifyFormat.TEXT
        self._service = apprise.Apprise()
        if not self._service.add(url):
            scheme = url.partition("://")[0] if "://" in url else "none"
            raise ConfigError(
                f"notify {name!r}: this is not an Apprise address that can be used (its scheme is {scheme!r}); "
                "compare it with the Apprise documentation of the service"
            )

    @property
    def name(self) -> str:
        """The name the user gave the channel."""
        return self._name

    def deliver(self, message: Message) -> None:
        """Send one message; raises `DeliveryError`, always worth another try: Apprise does not tell causes apart."""
        result = self._service.notify(
            title=title(message),
            body=body(message),
            notify_type=self._resolved if message.ends else self._types[message.severity],
            body_format=self._plain_text,
        )
        if not result:
            raise DeliveryError(self._name, retry=True, reason=self._reason(result))

    def _reason(self, result: Any) -> str:
        # Only newer versions of the library return what went wrong together with the outcome.
        logs = getattr(result, "logs", None)
        messages = [str(getattr(entry, "message", "")) for entry in logs()] if callable(logs) else []
        text = next((message for message in messages if message), "the service did not take the message")
        for secret in self._secrets:
            text = text.replace(secret, "***")
        return text[:200]


def _secrets(url: str) -> tuple[str, ...]:
    """The parts of an address that must not appear in a message: all that is not scheme, host or port."""
    parts = urlsplit(url)
    found = {parts.password or "", parts.path.strip("/"), *parts.path.strip("/").split("/"), parts.query}
    found |= {unquote(part) for part in found}
    return tuple(sorted((part for part in found if len(part) >= 6), key=len, reverse=True))
