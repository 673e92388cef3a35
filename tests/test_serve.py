"""The screens in a browser: who gets in, what a page may do, how everything ends."""

from __future__ import annotations

import asyncio
import contextlib
import errno
import hmac
import json
import logging
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from contextlib import asynccontextmanager, suppress
from pathlib import Path

import pytest
from aiohttp import ClientSession, ClientWebSocketResponse, CookieJar, WSMsgType
from aiohttp.test_utils import TestClient, TestServer
from aiohttp.web import Application, Request
from playwright.async_api import Page, Response, WebSocket, async_playwright

from advisor.screens.widgets.attention import PAUSE_SECONDS
from advisor.store.store import Store
from advisor.web import connections
from advisor.web import server as serve
from advisor.web.connections import Notices
from tests.conftest import HEAD, ROOT, Ran, faults

DEADLINE_SECONDS, AGAIN_SECONDS = 60.0, 6.0
TOKEN = "s3cret-tök€n-of-the-bays"
CHROMIUM = shutil.which("chromium")
FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
SCREENSHOT = "bench.png"

ECHO = """
import json, os, sys
def show(text):
    data = text.encode()
    os.write(1, b"D" + len(data).to_bytes(4, "big") + data)
os.write(1, b"__GANGLION__\\n")
show(json.dumps([os.getpid(), os.environ["COLUMNS"], os.environ["ROWS"], sys.argv[1:]]))
while head := sys.stdin.buffer.read(5):
    show(head[:1].decode() + sys.stdin.buffer.read(int.from_bytes(head[1:], "big")).decode())
"""
"""A child that tells of itself, and then what it is sent."""

STUBBORN = ECHO + "\nimport time\ntime.sleep(600)\n"
"""A child that stays when nothing can be typed any more."""

ALIKE = (
    "complaints:\n  c: {name: Door rattles, family: doors, any_of: {strap: 60, glass: 45}, unlisted: 5}\n"
    + faults("strap", "glass")
    + "readings:\n"
    + "".join(
        f"""\
  look_{n}:
    name: Look number {n}
    minutes: {n}
    picture: look.svg
    outcomes: {{loose: Seems loose, firm: Seems firm}}
    table:
      - when: {{strap: present}}
        gives: {{loose: 0.65, firm: 0.35}}
      - otherwise: {{loose: 0.35, firm: 0.65}}
"""
        for n in range(1, 7)
    )
)
"""Readings that tell little, so that many are asked for."""
LOOK = '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 40 30"><path d="M1 1 L9 9"/></svg>'

Enter = Callable[[], Awaitable[ClientWebSocketResponse]]
Pages = TestClient[Request, Application]
"""A browser's requests to pages."""


async def until(done: Callable[[], bool], seconds: float = DEADLINE_SECONDS) -> None:
    """Wait until something is so."""
    deadline = time.monotonic() + seconds
    while not done():
        assert time.monotonic() < deadline, "it never came to it"
        await asyncio.sleep(0.05)


def gone(pid: int) -> bool:
    """Whether a process has ended."""
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return True
    return False


@asynccontextmanager
async def client(
    local: bool = True, child: str = ECHO, words: tuple[str, ...] = (), entered: bool = True
) -> AsyncIterator[Pages]:
    """The pages with a child of the test's own, and a browser that has shown the token or not."""
    async with pages_of([sys.executable, "-c", child, *words], local) as made:
        if entered:
            assert (await made.get("/", params={"token": TOKEN})).status == 200
        yield made


@asynccontextmanager
async def pages_of(command: Sequence[str], local: bool = True) -> AsyncIterator[Pages]:
    """The pages of a command, on a free port."""
    pages = serve.Pages(command, TOKEN, local, Notices(lambda line: None))
    async with TestClient(TestServer(pages.application())) as made:
        yield made


async def screens(pages: Pages, query: str = "?width=100&height=40") -> ClientWebSocketResponse:
    """The socket that the page of this server opens."""
    return await pages.ws_connect(f"/ws{query}", headers={"Origin": str(pages.make_url("")).rstrip("/")})


async def shown(page: ClientWebSocketResponse) -> str:
    """What comes next to the page, as text."""
    return (await page.receive_bytes(timeout=DEADLINE_SECONDS)).decode()


# ------------------------------------------------------------------------------------------- who gets in


@pytest.mark.parametrize("host", ["localhost", "127.0.0.1", "127.0.0.9", "::1"])
def test_loopback_names_are_recognised(host: str) -> None:
    """These can be reached from the machine itself only."""
    assert serve.is_loopback(host)


@pytest.mark.parametrize("host", ["", "0.0.0.0", "::", "192.168.1.5", "localhost.example", "127.1", "bay"])
def test_other_names_are_not_loopback(host: str) -> None:
    """Whatever is not surely this machine alone takes a token."""
    assert not serve.is_loopback(host)


async def test_the_page_opens_with_all_that_it_needs() -> None:
    """The page is ours: our title, a large enough font, and the terminal."""
    async with client() as pages:
        answer = await pages.get("/")
        text = await answer.text()
        assert answer.status == 200
        assert "<title>advisor</title>" in text
        assert int(re.findall(r'data-font-size="(\d+)"', text)[0]) >= 16
        for path in re.findall(r'(?:src|href)="(/[^"]+)"', text):
            assert (await pages.get(path)).status == 200, path


@pytest.mark.parametrize(
    "path", ["/", "/ws", "/static/js/textual.js", "/web/page.css", "/no/such", "/?token=x"]
)
async def test_without_the_token_nothing_is_given(path: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Pages, files and the socket all say what is wrong and what to do, and nothing else."""
    monkeypatch.setattr(connections, "FIRST_WAIT_SECONDS", 0.0)
    async with client(local=False, entered=False) as pages:
        for cookies in ({}, {serve.COOKIE: "wrong"}, {serve.COOKIE: TOKEN}, {serve.COOKIE: ""}):
            answer = await pages.get(path, cookies=cookies)
            assert answer.status == 403
            assert "?token=" in await answer.text()


async def test_the_token_is_given_once_and_a_cookie_stands_for_it() -> None:
    """The first page sets a cookie that scripts and foreign pages cannot use, and hides the token again."""
    async with client(local=False, entered=False) as pages:
        answer = await pages.get("/", params={"token": TOKEN}, allow_redirects=False)
        assert (answer.status, answer.headers["Location"]) == (303, "/")
        cookie = answer.cookies[serve.COOKIE]
        assert cookie["httponly"]
        assert cookie["samesite"] == "Strict"
        assert TOKEN not in cookie.value
        for path in ("/", "/static/js/textual.js", "/web/page.css"):
            assert (await pages.get(path)).status == 200
        page = await screens(pages)
        assert "[" in await shown(page)
        await page.close()


async def test_wrong_tokens_wait_and_the_right_one_does_not(monkeypatch: pytest.MonkeyPatch) -> None:
    """While wrong ones of the same address wait, the right one gets in; at the end nobody is waited for."""
    monkeypatch.setattr(connections, "FIRST_WAIT_SECONDS", 2 * DEADLINE_SECONDS)
    monkeypatch.setattr(connections, "LONGEST_WAIT_SECONDS", 2 * DEADLINE_SECONDS)
    lines: list[str] = []
    pages = serve.Pages(["none"], TOKEN, True, Notices(lines.append))
    async with TestClient(TestServer(pages.application())) as made:
        wrong = [
            asyncio.create_task(made.get("/", params={"token": "guess"})),
            asyncio.create_task(made.get("/web/page.css", cookies={serve.COOKIE: "old"})),
        ]
        await until(lambda: pages.wrong.counts == {"127.0.0.1": (2, pytest.approx(time.monotonic(), abs=60))})
        answer = await made.get("/", params={"token": TOKEN}, allow_redirects=False)
        assert answer.status == 303
        assert (await made.get("/web/page.js")).status == 200
        assert not any(one.done() for one in wrong)
        pages.leaving.set()
        assert [(await one).status for one in wrong] == [403, 403]
    assert lines == [f"127.0.0.1: {serve.WRONG_TOKEN}"]


async def test_who_brings_no_token_at_all_is_refused_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """That is somebody who forgot it, and no guess; the connection is not kept."""
    monkeypatch.setattr(connections, "FIRST_WAIT_SECONDS", 2 * DEADLINE_SECONDS)
    async with client(entered=False) as pages:
        answer = await pages.get("/")
        assert (answer.status, answer.headers["Connection"]) == (403, "close")


async def test_an_error_of_ours_is_logged_once_with_its_place(monkeypatch: pytest.MonkeyPatch) -> None:
    """Its traceback is for who mends it; a browser that asks again and again does not fill the log."""
    lines: list[str] = []
    notices = Notices(lines.append)
    log = serve._request_log(notices)
    records: list[logging.LogRecord] = []
    log.parent = None
    log.addHandler(handler := logging.Handler())
    monkeypatch.setattr(handler, "emit", records.append)
    for _ in range(5):
        log.error("Error handling request", exc_info=ZeroDivisionError())
    log.debug("Ignored premature client disconnection")
    notices.close()
    assert len(records) == 1
    assert lines == [serve.FAILED, f"4 more: {serve.FAILED}"]


async def test_too_few_open_files_is_one_line() -> None:
    """asyncio tells it for every connection that waits; here it is told once, and what helps."""
    lines: list[str] = []
    notices, loop = Notices(lines.append), asyncio.get_running_loop()
    for _ in range(1000):
        serve._failed(notices, loop, {"message": "x", "exception": OSError(errno.EMFILE, "Too many")})
    assert lines == [serve.NO_MORE_FILES]


async def test_a_redirect_never_leaves_the_server() -> None:
    """The token is taken on the first page only, so no path of another's choice is redirected to."""
    async with client(local=False, entered=False) as pages:
        answer = await pages.get("/.//elsewhere.example/", params={"token": TOKEN}, allow_redirects=False)
        assert answer.status == 403


async def test_secrets_are_compared_in_constant_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """Neither the token nor the cookie can be guessed letter by letter from the time it takes."""
    compared: list[bytes] = []
    real = hmac.compare_digest

    def compare(given: bytes, wanted: bytes) -> bool:
        compared.append(given)
        return real(given, wanted)

    monkeypatch.setattr("advisor.web.server.hmac.compare_digest", compare)
    async with client(local=False, entered=False) as pages:
        await pages.get("/", params={"token": "guess"}, cookies={serve.COOKIE: "another"})
    assert compared == [b"guess", b"another"]


@pytest.mark.parametrize("host", ["localhost:1", "127.0.0.1:9999", "[::1]:8765", "localhost"])
async def test_the_machine_may_be_called_by_its_own_names(host: str) -> None:
    """A tunnel may change the port."""
    async with client(entered=False) as pages:
        answer = await pages.get("/", params={"token": TOKEN}, headers={"Host": host}, allow_redirects=False)
        assert answer.status == 303


@pytest.mark.parametrize(
    "host",
    [
        "foreign.example",
        "localhost.foreign.example:8765",
        "192.168.1.5",
        "127.0.0.1.foreign.example",
        "[",
        "",
    ],
)
async def test_another_name_for_this_machine_is_refused(host: str) -> None:
    """A foreign name that was made to point here would make a foreign page one of ours."""
    async with client() as pages:
        answer = await pages.get("/", headers={"Host": host})
        assert answer.status in (400, 403)
        assert answer.status == 400 or "localhost" in await answer.text()


@pytest.mark.parametrize(
    "origin",
    [None, "null", "http://foreign.example", "http://127.0.0.1:1", "http://[", "{own}.foreign.example"],
)
async def test_a_foreign_page_cannot_drive_the_screens(origin: str | None) -> None:
    """The socket opens for the page of the same address only; no child is started for others."""
    async with client() as pages:
        own = str(pages.make_url("")).rstrip("/")
        headers = {"Connection": "Upgrade", "Upgrade": "websocket", "Sec-WebSocket-Version": "13"}
        headers["Sec-WebSocket-Key"] = "AAAAAAAAAAAAAAAAAAAAAA=="
        if origin is not None:
            headers["Origin"] = origin.format(own=own)
        answer = await pages.get("/ws", headers=headers)
        assert answer.status == 403
        assert "own page" in await answer.text()


async def test_nothing_is_loaded_from_elsewhere() -> None:
    """No page names another address, and every answer forbids it as well."""
    async with client() as pages:
        for path in ("/", "/web/page.css", "/web/page.js", "/static/js/textual.js", "/static/css/xterm.css"):
            answer = await pages.get(path)
            text = re.sub(r"/\*.*?\*/", "", await answer.text(), flags=re.DOTALL)
            assert not re.search(r"""(https?:|url\(|src=|href=)\s*["']?//[\w.]""", text), path
            assert "default-src 'none'" in answer.headers["Content-Security-Policy"]
            assert "http" not in answer.headers["Content-Security-Policy"]


# ----------------------------------------------------------------------------------- what a page may do


async def test_what_is_typed_and_the_size_reach_the_child() -> None:
    """The child starts with the page's size, and gets keys, sizes within reason, and the focus."""
    async with client() as pages:
        page = await screens(pages)
        _, *size, _ = json.loads(await shown(page))
        assert size == ["100", "40"]
        await page.send_json(["stdin", "1ä"])
        assert await shown(page) == "D1ä"
        for asked, given in (((120, 30), (120, 30)), ((10**9, 999), (80, 250)), ((0, -4), (80, 24))):
            await page.send_json(["resize", {"width": asked[0], "height": asked[1]}])
            assert json.loads((await shown(page))[1:]) == {
                "type": "resize",
                "width": given[0],
                "height": given[1],
            }
        await page.send_json(["focus"])
        assert json.loads((await shown(page))[1:]) == {"type": "focus"}
        await page.send_json(["ping", "7"])
        assert await page.receive_json(timeout=DEADLINE_SECONDS) == ["pong", "7"]
        await page.close()


async def test_paths_and_addresses_are_no_shell_commands() -> None:
    """Whatever stands in an option comes to the child as it is."""
    hostile = ("--store=sqlite:///a b'; touch pwned; \"$(id)`id`", "--knowledge=a\nb", "&& exit 3 | *")
    async with client(words=hostile) as pages:
        page = await screens(pages)
        assert tuple(json.loads(await shown(page))[3]) == hostile
        await page.close()


@pytest.mark.parametrize(
    ("sent", "code"),
    [("x" * (serve.MESSAGE_BYTES + 1), 1009), ("[", 1003), ("[" * 60_000, 1003), ('["x"]', 1003)],
)
async def test_a_page_that_sends_nonsense_is_closed(sent: str, code: int) -> None:
    """Too long a message, or one that no page of ours sends, ends the connection and its child."""
    async with client() as pages:
        page = await screens(pages)
        pid = json.loads(await shown(page))[0]
        await page.send_str(sent)
        assert (await page.receive(timeout=DEADLINE_SECONDS)).type is WSMsgType.CLOSE
        assert page.close_code == code
        await until(lambda: gone(pid))


async def test_only_so_many_screens_are_open(monkeypatch: pytest.MonkeyPatch) -> None:
    """One too many is told so in its page; when another closes there is room again."""
    monkeypatch.setattr(serve, "SESSIONS", 2)
    async with client() as pages:
        first, second = await screens(pages), await screens(pages)
        pid = json.loads(await shown(first))[0]
        third = await screens(pages)
        assert "places are taken" in await shown(third)
        await third.receive(timeout=DEADLINE_SECONDS)
        assert third.close_code == 1013
        await first.close()
        await until(lambda: gone(pid))
        deadline = time.monotonic() + DEADLINE_SECONDS
        while "places are taken" in await shown(fourth := await screens(pages)):
            assert time.monotonic() < deadline, "there is never room again"
            await fourth.close()
        for page in (second, fourth):
            await page.close()


def test_help_states_the_limit_on_pages(advisor: Callable[..., Ran]) -> None:
    """The number in the help is the one that holds."""
    assert f"up to {serve.SESSIONS} at a time" in " ".join(advisor("serve", "--help").out.split())


# -------------------------------------------------------------------------------------- how things end


@pytest.mark.parametrize("child", [ECHO, STUBBORN], ids=["leaves", "is killed"])
async def test_a_closed_page_leaves_no_process(child: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """When the page closes its child ends, by itself or not."""
    monkeypatch.setattr(serve, "LEAVE_SECONDS", 0.3)
    async with client(child=child) as pages:
        page = await screens(pages)
        pid = json.loads(await shown(page))[0]
        await page.close()
        await until(lambda: gone(pid))


async def test_a_child_that_cannot_start_is_told_in_the_page(caplog: pytest.LogCaptureFixture) -> None:
    """The page shows the child's last words without control characters, and does not wait for ever."""
    async with client(child="import sys; sys.exit('\\x1b[31mno such library\\x07')") as pages:
        page = await screens(pages)
        said = await shown(page)
        assert "could not be started. Nothing was lost." in said
        assert "no such library" in said
        assert "\x07" not in said
        assert (await page.receive(timeout=DEADLINE_SECONDS)).type is WSMsgType.CLOSE
    assert "no such library" in caplog.text


async def test_a_program_that_is_not_there_is_told_in_the_page(tmp_path: Path) -> None:
    """Where the machine refuses to start a process at all, the page says so too."""
    command = [str(tmp_path / "missing"), "bench"]
    async with pages_of(command) as pages:
        await pages.get("/", params={"token": TOKEN})
        page = await screens(pages)
        assert "could not be started" in await shown(page)
        assert (await page.receive(timeout=DEADLINE_SECONDS)).type is WSMsgType.CLOSE


async def test_a_child_that_says_nothing_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    """A child that hangs before its screens are up is ended, and the page told."""
    monkeypatch.setattr(serve, "START_SECONDS", 0.3)
    async with client(child="import time; time.sleep(600)") as pages:
        page = await screens(pages)
        assert "could not be started" in await shown(page)


def test_a_taken_port_is_told_and_ends_with_3(advisor: Callable[..., Ran]) -> None:
    """No traceback: what is taken, and what to choose."""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        ran = advisor("serve", "--port", str(port))
    assert (ran.code, ran.out) == (3, "")
    assert f"127.0.0.1, port {port}" in ran.err
    assert "--port" in ran.err


def test_a_host_that_is_not_here_ends_with_3(advisor: Callable[..., Ran]) -> None:
    """An address of another machine cannot be served at."""
    ran = advisor("serve", "--host", "192.0.2.7", "--port", "0")
    assert ran.code == 3
    assert "192.0.2.7" in ran.err


def test_wrong_knowledge_and_instruments_are_told_before_anything_is_served(
    advisor: Callable[..., Ran], tmp_path: Path
) -> None:
    """Whoever starts the server sees it, not the first who opens a page."""
    wrong = tmp_path / "wrong.yaml"
    wrong.write_text("language: 1\nfalts: {}\n", encoding="utf-8")
    assert "unknown-word" in advisor("serve", "--knowledge", wrong).err
    ran = advisor("serve", "--without", "thermal_kamera")
    assert (ran.code, ran.out) == (1, "")
    assert "thermal_camera" in ran.err


@asynccontextmanager
async def served(tmp_path: Path, *options: str) -> AsyncIterator[tuple[subprocess.Popen[str], str]]:
    """`advisor serve` as a process of its own on a free port, and the address that it prints."""
    knowledge = tmp_path / "alike.yaml"
    knowledge.write_text(HEAD + ALIKE, encoding="utf-8")
    (tmp_path / "pictures").mkdir()
    (tmp_path / "pictures" / "look.svg").write_text(LOOK, encoding="utf-8")
    store = f"sqlite:///{tmp_path / 'cases.sqlite'}"
    words = ["serve", "--port", "0", "--knowledge", str(knowledge), "--store", store, *options]
    with subprocess.Popen(
        [sys.executable, "-m", "advisor", *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=ROOT,
    ) as server:
        assert server.stdout is not None
        try:
            line = await asyncio.to_thread(server.stdout.readline)
            yield server, line.split()[-1]
        finally:
            server.terminate()
            try:
                await asyncio.to_thread(server.wait, DEADLINE_SECONDS)
            finally:
                server.kill()


def browser() -> ClientSession:
    """A browser without a screen, which keeps the cookies of an address that is only a number too."""
    return ClientSession(cookie_jar=CookieJar(unsafe=True))


async def entered(session: ClientSession, address: str) -> str:
    """Open the address that was printed, and return the one that stands for it from then on."""
    async with session.get(address) as answer:
        assert answer.status == 200
        return str(answer.url)


@pytest.mark.parametrize("stop", [signal.SIGINT, signal.SIGTERM])
async def test_stopping_the_server_is_no_failure(tmp_path: Path, stop: signal.Signals) -> None:
    """With screens open it closes them and ends with 0; nothing is printed as an error."""
    async with served(tmp_path) as (server, address), browser() as session:
        url = await entered(session, address)
        page = await session.ws_connect(f"{url}ws", headers={"Origin": url.rstrip("/")})
        await page.receive_bytes(timeout=DEADLINE_SECONDS)
        server.send_signal(stop)
        code = await asyncio.to_thread(server.wait, DEADLINE_SECONDS)
        assert server.stderr is not None
        assert (code, server.stderr.read()) == (0, "")
        while (last := await page.receive(timeout=DEADLINE_SECONDS)).type is WSMsgType.BINARY:
            pass
        assert last.type in (WSMsgType.CLOSE, WSMsgType.CLOSED)


@pytest.mark.parametrize(
    ("host", "shown", "warned"),
    [
        ("127.0.0.1", "127.0.0.1", False),
        ("localhost", "localhost", False),
        ("0.0.0.0", r"[\w.-]+", True),
        ("0", r"[\w.-]+", True),
        ("", r"[\w.-]+", True),
        ("::", r"[\w.-]+", True),
        ("0:0::0", r"[\w.-]+", True),
    ],
)
async def test_whoever_else_can_listen_is_told_before_the_first_page(
    host: str, shown: str, warned: bool, caplog: pytest.LogCaptureFixture
) -> None:
    """What counts is what the sockets are bound to, however that was spelled."""
    async with in_this_process(host) as said:
        assert re.fullmatch(rf"The screens are at http://{shown}:\d+/\?token=\S+", said[0])
        assert not any(spelled in said[0] for spelled in ("//0", "[", "//:"))
        assert (serve.NOT_ENCRYPTED in said) is warned
    assert caplog.text == ""


async def test_a_name_of_this_machine_that_others_know_is_warned_of(monkeypatch: pytest.MonkeyPatch) -> None:
    """A name is looked up: that it is no number does not make it this machine's alone, nor the network's."""
    loop = asyncio.get_running_loop()

    async def looked_up(host: str, port: int, **_: object) -> list[tuple[object, ...]]:
        address = {"bay-server": "0.0.0.0", "inner": "127.0.0.1"}[host]
        return [(socket.AF_INET, socket.SOCK_STREAM, 6, "", (address, port))]

    monkeypatch.setattr(loop, "getaddrinfo", looked_up)
    for host, warned in (("bay-server", True), ("inner", False)):
        async with in_this_process(host) as said:
            assert (serve.NOT_ENCRYPTED in said) is warned


@asynccontextmanager
async def in_this_process(host: str) -> AsyncIterator[list[str]]:
    """The server on a free port, without a process of its own: what it tells."""
    said: list[str] = []
    command = [sys.executable, "-c", ECHO]
    serving = asyncio.create_task(serve._serve(command, host, 0, "t" * 20, said.append))
    try:
        await until(lambda: "Stop with Ctrl+C." in said or serving.done())
        yield said
    finally:
        serving.cancel()
        with suppress(asyncio.CancelledError):
            await serving


async def test_a_token_is_made_and_printed(tmp_path: Path) -> None:
    """Nobody has to think of one, and without it there is nothing to see."""
    async with served(tmp_path, "--host", "0.0.0.0") as (_, url), ClientSession() as session:
        found = re.fullmatch(r"http://([\w.-]+):(\d+)/\?token=([\w-]{32,})", url)
        assert found
        assert found[1] != "0.0.0.0"
        here = f"http://127.0.0.1:{found[2]}/"
        assert (await session.get(here)).status == 403
        assert (await session.get(here, params={"token": found[3]}, allow_redirects=False)).status == 303


async def test_on_this_machine_alone_a_token_is_asked_for_too(tmp_path: Path) -> None:
    """Other accounts and services here can connect to loopback as well as its owner can."""
    async with served(tmp_path) as (_, url), ClientSession() as session:
        found = re.fullmatch(r"(http://127\.0\.0\.1:\d+/)\?token=[\w-]{32,}", url)
        assert found
        assert (await session.get(found[1])).status == 403
        assert (await session.get(url, allow_redirects=False)).status == 303


@pytest.mark.parametrize(
    ("token", "said"),
    [("", "has 0"), ("t" * 19, "at least 20 characters"), ("t" * 30 + "\n", "cannot be printed")],
)
def test_a_token_that_keeps_nobody_out_is_refused(token: str, said: str, advisor: Callable[..., Ran]) -> None:
    """A sentence says why and what to do; nothing is served, and the token is not printed."""
    ran = advisor("serve", "--port", "0", "--token", token)
    assert (ran.code, ran.out) == (2, "")
    assert said in ran.err
    assert "Nothing was started" in ran.err
    assert not token or token not in ran.err


def test_screens_without_a_server_end(tmp_path: Path) -> None:
    """A child whose server was killed notices that nothing can be typed any more, and leaves."""
    with subprocess.Popen(
        [sys.executable, "-m", "advisor", "bench", "--store", f"sqlite:///{tmp_path / 'cases.sqlite'}"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        cwd=ROOT,
        env={**os.environ, "TEXTUAL_DRIVER": serve.DRIVER},
    ) as child:
        try:
            assert child.stdout is not None
            assert child.stdout.readline() == serve.PRELUDE
            child.communicate(timeout=DEADLINE_SECONDS)
            assert child.returncode == 0
        finally:
            child.kill()


# ------------------------------------------------------------------------------------- in a real browser


class Shown:
    """The characters that the terminal in a page shows, as far as cursor moves and text make them."""

    def __init__(self, page: Page) -> None:
        self.page = page
        self.letters: dict[tuple[int, int], str] = {}
        self.row, self.column = 1, 1
        page.on("websocket", self.connected)

    def connected(self, socket: WebSocket) -> None:
        """Read along what comes to the page."""
        socket.on("framereceived", self.feed)

    def feed(self, frame: str | bytes) -> None:
        """Take what the terminal takes."""
        text = frame.decode() if isinstance(frame, bytes) else ""
        for move, sequence, letter in re.findall(r"\x1b\[(\d+;\d+)H|(\x1b\[[?\d;]*\$?[a-zA-Z])|(.)", text):
            if move:
                self.row, self.column = map(int, move.split(";"))
            elif not sequence:
                self.letters[self.row, self.column] = letter
                self.column += 1

    @property
    def lines(self) -> list[str]:
        """The screen, line by line."""
        across = range(1, 1 + max((column for _, column in self.letters), default=0))
        down = range(1, 1 + max((row for row, _ in self.letters), default=0))
        return ["".join(self.letters.get((row, column), " ") for column in across) for row in down]

    def shows(self, words: str) -> bool:
        """Whether the words stand somewhere on one line."""
        return any(words in line for line in self.lines)

    async def until(self, words: str, there: bool = True) -> None:
        """Wait until the words stand somewhere, or nowhere any more."""
        try:
            await until(lambda: self.shows(words) is there)
        except AssertionError as error:
            shown = "\n".join(self.lines)
            raise AssertionError(f"{words!r} {'never came' if there else 'stayed'}:\n{shown}") from error

    async def again_until(self, act: Callable[[], Awaitable[None]], done: Callable[[], bool]) -> None:
        """Act, and once more where nothing came of it: a busy page takes no key that came too soon."""
        for _ in range(5):
            await act()
            with contextlib.suppress(AssertionError):
                await until(done, AGAIN_SECONDS)
            if done():
                return
        raise AssertionError("\n".join(self.lines))

    async def press(self, key: str) -> None:
        """Press a key, as somebody who has read what is there."""
        await asyncio.sleep(PAUSE_SECONDS + 0.1)
        await self.page.keyboard.press(key)

    async def click(self, words: str) -> None:
        """Click where the words stand, as somebody who has read them."""
        await asyncio.sleep(PAUSE_SECONDS + 0.1)
        row, line = next((row, line) for row, line in enumerate(self.lines) if words in line)
        box = await self.page.locator(".xterm-screen").bounding_box()
        assert box is not None
        across, down = box["width"] / len(line), box["height"] / len(self.lines)
        await self.page.mouse.click(
            box["x"] + (line.index(words) + 0.5) * across, box["y"] + (row + 0.5) * down
        )


async def open_job(shown: Shown, words: str) -> None:
    """The way from the page to the first reading of a new or an open job, by keys."""
    await shown.until(words)
    await shown.until("licensed practice come first")  # the list has been read
    if words != "New job":
        await shown.press("ArrowUp")  # a page in the background gives the list no focus by itself
        await shown.again_until(lambda: shown.press("Enter"), lambda: shown.shows("taken"))
    else:
        await shown.again_until(lambda: shown.press("n"), lambda: shown.shows("Which car?"))
        await shown.page.keyboard.type("bay 2")
        await shown.until("bay 2")
        await shown.again_until(lambda: shown.click("Door rattles"), lambda: not shown.shows("Which car?"))
    await shown.until("Seems loose")


@pytest.mark.skipif(
    CHROMIUM is None and os.environ.get("CI") != "true", reason="needs Chromium, which is not installed here"
)
async def test_a_job_in_a_browser_is_saved_and_goes_on(tmp_path: Path) -> None:
    """Three readings are answered by keys and a click, the tab is closed, and the job goes on in another."""
    url = f"sqlite:///{tmp_path / 'cases.sqlite'}"

    def answers() -> list[str]:
        store = Store(url)
        filed = store.cases()
        store.close()
        return list(filed[0].case.outcomes.values()) if filed else []

    outside: list[str] = []
    errors: list[str] = []
    async with served(tmp_path, "--token", TOKEN) as (_, address), async_playwright() as playwright:
        assert CHROMIUM is not None, "CI needs Chromium for this test"
        browser = await playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        context = await browser.new_context(viewport={"width": 1024, "height": 768})
        here = address.partition("?")[0]
        context.on("request", lambda asked: None if asked.url.startswith(here) else outside.append(asked.url))

        page = await context.new_page()
        page.on("pageerror", lambda error: errors.append(str(error)))
        page.on("console", lambda said: errors.append(said.text) if said.type == "error" else None)
        shown = Shown(page)
        await page.goto(address)
        assert page.url == here
        assert await page.title() == "advisor"
        await open_job(shown, "New job")
        await shown.again_until(lambda: shown.press("1"), lambda: len(answers()) == 1)
        await shown.until("1 reading")
        await shown.again_until(lambda: shown.click("2 Seems firm"), lambda: len(answers()) == 2)
        await shown.until("2 reading")
        await shown.again_until(lambda: shown.press("F1"), lambda: shown.shows("What is to be done?"))
        await shown.again_until(lambda: shown.press("Escape"), lambda: not shown.shows("What is to be done?"))
        await page.screenshot(path=tmp_path / SCREENSHOT)
        await shown.again_until(lambda: shown.press("1"), lambda: len(answers()) == 3)
        await page.close()
        assert answers() == ["loose", "firm", "loose"]

        page = await context.new_page()
        shown = Shown(page)
        await page.goto(here)
        await open_job(shown, "Job 1")
        await shown.until("3 readings taken")
        await shown.again_until(lambda: shown.press("2"), lambda: len(answers()) == 4)
        assert answers() == ["loose", "firm", "loose", "firm"]

        papers: list[str] = []

        def fetched(got: Response) -> None:
            if "/download/" in got.url:
                papers.append(got.headers["content-disposition"])

        context.on("response", fetched)
        await shown.again_until(lambda: shown.press("b"), lambda: shown.shows("esc Back"))
        await shown.press("s")
        await until(lambda: papers == ["attachment; filename*=UTF-8''job-1.html"])
        await shown.again_until(lambda: shown.press("Escape"), lambda: shown.shows("p See how it is done"))
        await shown.press("p")
        await until(lambda: len(papers) == 2)
        assert re.fullmatch(r"attachment; filename\*=UTF-8''how-to-look_\d.html", papers[1])
        await browser.close()
    assert outside == []
    assert errors == []
