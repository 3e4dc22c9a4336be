"""Typed errors of the stream. Every message says what happened, where, and what to do about it."""

from __future__ import annotations


class StreamError(Exception):
    """Base of all errors of this room; `state` is the word under which a status shows it."""

    state = "failed"


class SettingsError(StreamError):
    """Broker settings, a credentials file or a TLS file that cannot be used as they are."""

    state = "settings"


class BrokerMissing(StreamError):
    """The broker's program is not on this machine."""


class BrokerFailed(StreamError):
    """The broker's program ended instead of becoming ready; carries the end of what it said."""


class PortInUse(BrokerFailed):
    """Another program listens on the port that the broker was told to use."""


class BrokerFolderBusy(BrokerFailed):
    """Another station holds the folder of the local broker."""


class Unreachable(StreamError):
    """No broker answers at the address."""

    state = "unreachable"


class RefusedByBroker(StreamError):
    """The broker answered and will not let us in: user name, password or rights."""

    state = "refused"


class TlsFailure(StreamError):
    """The encrypted connection could not be made: certificate, name or protocol."""

    state = "tls"


class ConnectionLost(StreamError):
    """The connection was there and ended."""

    state = "lost"


class Stalled(ConnectionLost):
    """The connection stands, and the broker does not acknowledge what it is told."""

    state = "stalled"


class NoAnswer(StreamError):
    """A command was sent and no reply came in time."""


class StationOffline(StreamError):
    """The broker is there and says that the station is not."""
