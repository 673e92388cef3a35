"""Strangers at the served address: how many, for how long, and how little they can write into the log."""

from __future__ import annotations

import asyncio
import socket
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from unittest.mock import Mock, call

import pytest
from aiohttp import ClientTimeout

from advisor.web import connections
from advisor.web.connections import Connection, Connections, Notices, WrongTokens, address_of
from tests.test_serve import DEADLINE_SECONDS, browser, served, until

HALF = b"GET / HTTP/1.1\r\nX-Slow: "
WHOLE = b"GET / HTTP/1.1\r\nHost: bay\r\n\r\n"
MALFORMED = (b"\x16\x03\x01\x02\x00\r\n\r\n", b"GET / HTTP/9.9\r\n\r\n", b"GET http://[ HTTP/1.1\r\n\r\n")


class Wire(asyncio.Transport):
    """A connection without a network."""

    def __init__(self, address: str) -> None:
        super().__init__({"peername": (address, 40_000)})
        self.aborted = False

    def abort(self) -> None:
        """Remember it."""
        self.aborted = True


class Server:
    """Connections as a server has them, and the lines of its log."""

    def __init__(self) -> None:
        self.lines: list[str] = []
        self.connections = Connections(Notices(self.lines.append))

    def connect(self, address: str = "192.0.2.1", *said: bytes) -> Connection:
        """One more, which says something or nothing."""
        made = Connection(self.connections, Mock(spec=asyncio.Protocol))
        made.connection_made(Wire(address))
        for data in said:
            made.data_received(data)
        return made


def closed(connection: Connection) -> bool:
    """Whether it was closed from here."""
    assert isinstance(connection.transport, Wire)
    return connection.transport.aborted


# ------------------------------------------------------------------------------------------------- places


async def test_one_address_gets_so_many_places_and_the_oldest_half_request_makes_room() -> None:
    """Who is silent still, or asks in one piece, stays; so a request that comes at once is answered."""
    server = Server()
    silent = server.connect()
    asking = server.connect("192.0.2.1", WHOLE)
    halves = [server.connect("192.0.2.1", HALF) for _ in range(connections.STRANGERS_PER_ADDRESS - 2)]
    assert not any(map(closed, [silent, asking, *halves]))
    more = [server.connect("192.0.2.1", HALF) for _ in range(3)]
    assert [closed(one) for one in halves[:4]] == [True, True, True, False]
    assert not any(map(closed, [silent, asking, *halves[3:], *more]))
    assert len(server.connections.strangers) == connections.STRANGERS_PER_ADDRESS


async def test_a_request_being_looked_at_makes_room_last() -> None:
    """Among those that have said nothing the oldest goes, and none that has asked."""
    server = Server()
    asking = [server.connect("192.0.2.1", WHOLE) for _ in range(connections.STRANGERS_PER_ADDRESS - 2)]
    silent = [server.connect(), server.connect()]
    server.connect()
    assert [closed(one) for one in silent] == [True, False]
    assert not any(map(closed, asking))


async def test_many_addresses_get_so_many_places_and_the_one_with_most_makes_room() -> None:
    """A crowd from one address does not push out the one connection of another."""
    server = Server()
    few = [server.connect("192.0.2.7", HALF), server.connect("2001:db8::1", HALF)]
    crowd = [server.connect("192.0.2.1", HALF) for _ in range(connections.STRANGERS_PER_ADDRESS)]
    others = connections.STRANGERS - len(few) - len(crowd)
    for number in range(others + 5):
        server.connect(f"198.51.100.{number}", HALF)
    assert len(server.connections.strangers) == connections.STRANGERS
    assert sum(map(closed, crowd)) == 5
    assert not any(map(closed, few))


async def test_who_has_shown_the_token_takes_no_stranger_s_place(monkeypatch: pytest.MonkeyPatch) -> None:
    """However many strangers come, and however long it takes, an open page is kept."""
    monkeypatch.setattr(connections, "STRANGER_SECONDS", 0.01)
    server = Server()
    page = server.connect("192.0.2.1", WHOLE)
    server.connections.let_in(page.transport)
    strangers = [server.connect("192.0.2.1", HALF) for _ in range(3 * connections.STRANGERS_PER_ADDRESS)]
    await until(lambda: all(map(closed, strangers)))
    assert not closed(page)
    page.connection_lost(None)
    assert not server.connections.all


async def test_a_newcomer_is_closed_when_all_connections_hold_the_token(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Where all are taken by who has the token, the newcomer goes, and it is said."""
    monkeypatch.setattr(connections, "CONNECTIONS", 3)
    server = Server()
    pages = [server.connect(), server.connect()]
    for page in pages:
        server.connections.let_in(page.transport)
    stranger = server.connect()
    newcomer = server.connect()
    assert [closed(one) for one in (stranger, newcomer)] == [True, False]
    server.connections.let_in(newcomer.transport)
    late = server.connect()
    assert [closed(one) for one in (*pages, newcomer, late)] == [False, False, False, True]
    assert server.lines[-1] == f"192.0.2.1: {connections.FULL}"


async def test_a_wrong_token_is_among_the_first_to_make_room() -> None:
    """Its answer waits for seconds, and it keeps no place from others meanwhile."""
    server = Server()
    wrong = server.connect("192.0.2.1", WHOLE)
    server.connections.refuse(wrong.transport)
    others = [server.connect() for _ in range(connections.STRANGERS_PER_ADDRESS)]
    assert closed(wrong)
    assert not any(map(closed, others))


async def test_an_unknown_connection_changes_nothing() -> None:
    """A request whose connection has gone meanwhile, or never was one of these, changes nothing."""
    server = Server()
    server.connections.let_in(None)
    server.connections.refuse(Wire("192.0.2.1"))
    assert not server.connections.all


# --------------------------------------------------------------------------------------------------- time


@pytest.mark.parametrize("said", [(), (HALF,), (WHOLE, HALF), (HALF[:3], HALF[3:4], HALF[4:5])])
async def test_a_stranger_is_closed_after_the_time_limit_whatever_it_sends(
    said: tuple[bytes, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Byte by byte or not at all: the time runs from connecting, and nothing that is sent prolongs it."""
    monkeypatch.setattr(connections, "STRANGER_SECONDS", 0.01)
    server = Server()
    stranger = server.connect("192.0.2.1", *said)
    await until(lambda: closed(stranger))
    assert server.lines == ([f"192.0.2.1: {connections.TOO_SLOW}"] if said else [])
    assert not server.connections.strangers


async def test_a_request_is_whole_where_its_head_ends_however_it_was_cut() -> None:
    """The empty line that ends it may come in pieces; what follows does not make it half again."""
    server = Server()
    for cut in range(1, len(WHOLE)):
        one = server.connect("192.0.2.1", WHOLE[:cut])
        assert one.standing == connections.HAD_ITS_CHANCE
        one.data_received(WHOLE[cut:])
        assert one.standing == connections.ASKING
        one.data_received(HALF)
        assert one.standing == connections.ASKING
        one.connection_lost(None)


async def test_a_connection_forwards_every_event_to_its_protocol() -> None:
    """The protocol that answers does not notice that there is somebody between."""
    heard, lost, wire = Mock(spec=asyncio.Protocol), ConnectionResetError(), Wire("192.0.2.1")
    heard.eof_received.return_value = True
    one = Connection(Server().connections, heard)
    one.connection_made(wire)
    one.data_received(HALF)
    assert one.eof_received() is True
    one.pause_writing()
    one.resume_writing()
    one.connection_lost(lost)
    assert heard.mock_calls == [
        call.connection_made(wire),
        call.data_received(HALF),
        call.eof_received(),
        call.pause_writing(),
        call.resume_writing(),
        call.connection_lost(lost),
    ]
    assert one.limit.cancelled()


def test_wrong_tokens_wait_longer_and_longer_for_each_address() -> None:
    """Another address starts anew, as does the same one after some minutes without a wrong token."""
    now = 0.0
    wrong = WrongTokens(lambda: now)
    waits = [wrong.wait("a") for _ in range(12)]
    assert waits[:4] == [0.5, 1.0, 2.0, 4.0]
    assert set(waits[4:]) == {connections.LONGEST_WAIT_SECONDS}
    assert wrong.wait("b") == 0.5
    now += connections.FORGET_SECONDS
    assert wrong.wait("a") == connections.LONGEST_WAIT_SECONDS
    now += connections.FORGET_SECONDS + 1
    assert [wrong.wait("a"), wrong.wait("a")] == [0.5, 1.0]


def test_the_memory_of_wrong_tokens_has_an_end() -> None:
    """Of too many addresses the one that has been quiet for longest is forgotten."""
    wrong = WrongTokens(lambda: 0.0)
    for number in range(connections.ADDRESSES):
        wrong.wait(str(number))
    wrong.wait("0")
    wrong.wait("one more")
    assert len(wrong.counts) == connections.ADDRESSES
    assert (wrong.wait("0"), wrong.wait("1")) == (2.0, 0.5)


@pytest.mark.parametrize(
    ("peer", "address"),
    [
        (("192.0.2.9", 1), "192.0.2.9"),
        (("::ffff:192.0.2.9", 1, 0, 0), "192.0.2.9"),
        (("2001:db8:0:1:2:3:4:5", 1, 0, 0), "2001:db8:0:1::/64"),
        (("fe80::1%eth0", 1, 0, 2), "fe80::/64"),
        (None, ""),
        ("/run/socket", ""),
        (("nonsense", 1), ""),
    ],
)
def test_addresses_of_one_machine_count_as_one(peer: object, address: str) -> None:
    """One machine may take any address of its IPv6 network (RFC 4291: 64 bits), or write IPv4 as IPv6."""
    assert address_of(peer) == address


# ---------------------------------------------------------------------------------------------------- log


async def test_of_each_kind_of_notice_one_is_written_and_the_others_are_counted() -> None:
    """A thousand of them are two lines, with the last address; another kind has its own."""
    lines: list[str] = []
    notices = Notices(lines.append)
    for number in range(1000):
        notices.note("Refused.", f"192.0.2.{number % 250}")
    notices.note("Failed.")
    assert lines == ["192.0.2.0: Refused.", "Failed."]
    notices._sum_up("Refused.")
    assert lines[2:] == ["999 more, the last from 192.0.2.249: Refused."]
    notices.note("Refused.", "192.0.2.8")
    assert len(lines) == 3
    notices._sum_up("Refused.")
    assert lines[3:] == ["1 more, the last from 192.0.2.8: Refused."]
    notices._sum_up("Refused.")
    notices.note("Refused.")
    assert lines[4:] == ["Refused."]


async def test_the_count_is_written_when_the_time_is_over() -> None:
    """Nobody has to come again for it."""
    lines: list[str] = []
    notices = Notices(lines.append, 0.01)
    for _ in range(3):
        notices.note("Refused.")
    await until(lambda: not notices.held)
    assert lines == ["Refused.", "2 more: Refused."]


async def test_what_was_counted_is_written_at_the_end() -> None:
    """A server that stops within the minute keeps no count to itself."""
    lines: list[str] = []
    notices = Notices(lines.append)
    for _ in range(3):
        notices.note("Refused.")
    notices.note("Failed.")
    notices.close()
    assert lines == ["Refused.", "Failed.", "2 more: Refused."]
    notices.close()
    assert len(lines) == 3


# ------------------------------------------------------------------------------------------ over a network


@contextmanager
def half_open(port: int, count: int) -> Iterator[list[socket.socket]]:
    """So many connections that have sent half a request, and then another byte each."""
    made: list[socket.socket] = []
    try:
        for _ in range(count):
            made.append(socket.create_connection(("127.0.0.1", port), timeout=20))
            with suppress(ConnectionError):
                made[-1].sendall(HALF)
        for one in made:
            with suppress(ConnectionError):
                one.sendall(b"a")
        yield made
    finally:
        for one in made:
            one.close()


def still_open(one: socket.socket) -> bool:
    """Whether the other side has not closed a connection."""
    one.setblocking(False)
    try:
        return one.recv(1) != b""
    except BlockingIOError:
        return True
    except ConnectionError:
        return False


@pytest.mark.skipif(sys.platform != "linux", reason="sets the limit of another process")
async def test_half_open_connections_keep_no_good_request_out(tmp_path: Path) -> None:
    """With fewer open files than they want, every good request is answered, and the log stays small."""
    import resource

    async with served(tmp_path) as (server, address), browser() as session:
        resource.prlimit(server.pid, resource.RLIMIT_NOFILE, (200, 200))
        port = int(address.split(":")[2].partition("/")[0])
        with half_open(port, 300) as made:
            for _ in range(10):
                async with session.get(
                    address,
                    allow_redirects=False,
                    headers={"Connection": "close"},
                    timeout=ClientTimeout(total=20),
                ) as answer:
                    assert answer.status == 303
            await until(lambda: sum(map(still_open, made)) <= connections.STRANGERS_PER_ADDRESS)
        for number in range(30):
            with socket.create_connection(("127.0.0.1", port), timeout=20) as one:
                one.sendall(MALFORMED[number % len(MALFORMED)])
                assert b" 400 " in one.recv(100)
        server.terminate()
        assert await asyncio.to_thread(server.wait, DEADLINE_SECONDS) == 0
        assert server.stderr is not None
        log = server.stderr.read()
    assert "Traceback" not in log
    assert "other than HTTP" in log
    assert len(log.splitlines()) <= 6
