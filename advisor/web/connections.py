"""Limits on who connects to the server: strangers get few places and little time, and cannot fill the log.

A connection is a stranger's until a request on it carries the token. When strangers hold every place, one of
them is closed for the next: first the oldest that sent part of a request or a wrong token, then the oldest
that has sent nothing, last one whose request is being handled. A browser sends its request in one piece, so
it is answered however many others send theirs byte by byte.
"""

from __future__ import annotations

import asyncio
import collections
import ipaddress
from collections.abc import Callable, Iterable
from typing import Any

STRANGER_SECONDS = 10.0
"""The most time from connecting to a complete request with the token; browsers need far less."""
STRANGERS_PER_ADDRESS, STRANGERS = 48, 96
"""The most connections without the token: from one address, and in all."""
CONNECTIONS = 256
"""The most connections in all, with the token or without."""
FIRST_WAIT_SECONDS, LONGEST_WAIT_SECONDS = 0.5, 5.0
"""Delay of the answer to the first wrong token from an address, and the longest delay."""
FORGET_SECONDS = 300.0
"""After this time without a wrong token from an address, its count starts anew."""
ADDRESSES = 1000
"""The most addresses with wrong tokens that are remembered."""
HAD_ITS_CHANCE, SILENT, ASKING = range(3)
"""The standing of a stranger; the lowest is closed first to make room."""
NOTICE_SECONDS = 60.0
"""A notice of one kind is logged once in this time; repeats are only counted."""

END_OF_HEAD = b"\r\n\r\n"
"""What ends the head of a request."""

TOO_MANY = (
    "Too many connections without the token were open at the same time. Some were closed, and screens that "
    "are open are kept. Find out which machine opens them."
)
TOO_SLOW = (
    f"A request with the token did not arrive within {STRANGER_SECONDS:.0f} seconds. Its connection "
    "was closed, and screens that are open are kept. If that was a tablet, look at its network."
)
FULL = (
    f"All {CONNECTIONS} connections are taken. One more was closed, and screens that are open are kept. "
    "Close browsers that are not in use."
)


class Notices:
    """Rate-limited log lines: the first of a kind is logged at once, repeats as a count every `seconds`."""

    def __init__(self, write: Callable[[str], None], seconds: float = NOTICE_SECONDS) -> None:
        self.write, self.seconds = write, seconds
        self.held: dict[str, tuple[int, str]] = {}

    def note(self, kind: str, address: str = "") -> None:
        """Log that this has happened, or count it if it was logged a short while ago."""
        if kind in self.held:
            self.held[kind] = self.held[kind][0] + 1, address
            return
        self.write(f"{address}: {kind}" if address else kind)
        self._hold(kind)

    def _hold(self, kind: str) -> None:
        self.held[kind] = 0, ""
        asyncio.get_running_loop().call_later(self.seconds, self._sum_up, kind)

    def _sum_up(self, kind: str) -> None:
        count, address = self.held.pop(kind, (0, ""))
        if count:
            self._write_count(kind, count, address)
            self._hold(kind)

    def close(self) -> None:
        """Log the counts that were held back."""
        for kind, (count, address) in self.held.items():
            if count:
                self._write_count(kind, count, address)
        self.held.clear()

    def _write_count(self, kind: str, count: int, address: str) -> None:
        last = f", the last from {address}" if address else ""
        self.write(f"{count} more{last}: {kind}")


class WrongTokens:
    """Counts of recent wrong tokens by address; `clock` gives seconds."""

    def __init__(self, clock: Callable[[], float]) -> None:
        self.clock = clock
        self.counts: dict[str, tuple[int, float]] = {}

    def wait(self, address: str) -> float:
        """Count one more from an address, and return the delay of its answer in seconds."""
        count, last = self.counts.pop(address, (0, 0.0))
        if count and self.clock() - last > FORGET_SECONDS:
            count = 0
        self.counts[address] = count + 1, self.clock()
        if len(self.counts) > ADDRESSES:
            del self.counts[next(iter(self.counts))]
        return min(LONGEST_WAIT_SECONDS, FIRST_WAIT_SECONDS * 2.0 ** min(count, 10))


class Connections:
    """All connections of a server; `let_in` marks those that have shown the token."""

    def __init__(self, notices: Notices) -> None:
        self.notices = notices
        self.all: dict[asyncio.BaseTransport, Connection] = {}
        self.strangers: dict[Connection, None] = {}

    def let_in(self, transport: asyncio.BaseTransport | None) -> None:
        """Lift the limits from a connection on which a request carried the token."""
        if transport in self.all:
            connection = self.all[transport]
            self.strangers.pop(connection, None)
            connection.limit.cancel()

    def refuse(self, transport: asyncio.BaseTransport | None) -> None:
        """Put a connection on which a wrong token came among the first to be closed."""
        if transport in self.all:
            self.all[transport].standing = HAD_ITS_CHANCE

    def arrived(self, connection: Connection) -> None:
        """Add a new connection as a stranger's, closing another to make room, or this one if none can go."""
        alike = [stranger for stranger in self.strangers if stranger.address == connection.address]
        if len(alike) >= STRANGERS_PER_ADDRESS:
            self._close(_first_to_go(alike), TOO_MANY)
        elif self.strangers and (len(self.strangers) >= STRANGERS or len(self.all) >= CONNECTIONS):
            ((most, _),) = collections.Counter(stranger.address for stranger in self.strangers).most_common(1)
            self._close(
                _first_to_go(stranger for stranger in self.strangers if stranger.address == most), TOO_MANY
            )
        self.all[connection.transport] = connection
        self.strangers[connection] = None
        if len(self.all) > CONNECTIONS:
            self._close(connection, FULL)

    def late(self, connection: Connection) -> None:
        """Close a stranger's connection whose time is up; one that never sent anything is not logged."""
        self._close(connection, "" if connection.standing == SILENT else TOO_SLOW)

    def left(self, connection: Connection) -> None:
        """Forget a connection."""
        self.strangers.pop(connection, None)
        self.all.pop(connection.transport, None)

    def _close(self, connection: Connection, why: str) -> None:
        if why:
            self.notices.note(why, address=connection.address)
        self.left(connection)
        connection.transport.abort()


def _first_to_go(strangers: Iterable[Connection]) -> Connection:
    """Return the connection to close: of those with the lowest standing the oldest."""
    return min(strangers, key=lambda one: one.standing)


class Connection(asyncio.Protocol):
    """One browser's connection, forwarded to the protocol that answers it."""

    transport: asyncio.Transport
    address: str
    limit: asyncio.TimerHandle

    def __init__(self, connections: Connections, answering: asyncio.Protocol) -> None:
        self.connections, self.answering = connections, answering
        self.standing = SILENT
        self.last = b""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Start the stranger's time limit."""
        assert isinstance(transport, asyncio.Transport)
        self.transport = transport
        self.address = address_of(transport.get_extra_info("peername"))
        self.limit = asyncio.get_running_loop().call_later(STRANGER_SECONDS, self.connections.late, self)
        self.answering.connection_made(transport)
        self.connections.arrived(self)

    def data_received(self, data: bytes) -> None:
        """Note whether the head of a request is complete, and forward the data."""
        if self.standing != ASKING:
            self.last += data
            self.standing = ASKING if END_OF_HEAD in self.last else HAD_ITS_CHANCE
            self.last = self.last[1 - len(END_OF_HEAD) :]
        self.answering.data_received(data)

    def eof_received(self) -> bool | None:
        """Forward the end of the input."""
        return self.answering.eof_received()

    def pause_writing(self) -> None:
        """Forward that the browser reads too slowly."""
        self.answering.pause_writing()

    def resume_writing(self) -> None:
        """Forward that the browser reads again."""
        self.answering.resume_writing()

    def connection_lost(self, exc: Exception | None) -> None:
        """Stop the time limit and forward the end."""
        self.limit.cancel()
        self.connections.left(self)
        self.answering.connection_lost(exc)


def address_of(peer: Any) -> str:
    """Return a peer's address, or for IPv6 its /64 network, as one machine may have 2^64 addresses."""
    if not isinstance(peer, tuple):
        return ""
    try:
        address = ipaddress.ip_address(str(peer[0]).partition("%")[0])
    except ValueError:
        return ""
    if isinstance(address, ipaddress.IPv4Address):
        return str(address)
    return str(address.ipv4_mapped or ipaddress.ip_network((address, 64), strict=False))
