"""The screens in the browser: one child process with the screens for each open page.

Nobody gets in without the token, no foreign page can drive the screens, and nothing is loaded from elsewhere.
The child saves every entry at once, so it may be ended at any time.
"""

from __future__ import annotations

import asyncio
import errno
import hmac
import ipaddress
import json
import logging
import os
import re
import secrets
import signal
import socket
import time
from asyncio.subprocess import PIPE, Process
from collections.abc import Awaitable, Callable, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from shlex import join
from typing import Any
from urllib.parse import SplitResult, quote, urlsplit

import textual_serve
from aiohttp import WSCloseCode, WSMsgType, web
from aiohttp.http import HttpProcessingError
from textual_serve.app_service import AppService
from textual_serve.download_manager import DownloadManager

from advisor.text import visible
from advisor.web.connections import Connection, Connections, Notices, WrongTokens, address_of

SESSIONS = 24
"""The most pages open at a time; each has a process of its own."""
MESSAGE_BYTES = 64 * 1024
"""The longest message a page may send: enough for a pasted text, not for a file."""
USUAL_SIZE, LARGEST_SIZE = (80, 24), (500, 250)
"""Columns and lines: if a page names no valid size, and the largest it may ask for."""
TOKEN_BYTES, TOKEN_LETTERS = 24, 20
"""Random bytes of a generated token, and the least characters of one given by hand."""
AT_ONCE, WAITING = 8, 128
"""The most connections accepted at once, and the most that may wait.

Accepting few at a time lets their requests be read before the next ones need their places.
"""
IDLE_SECONDS = 15.0
"""An idle connection is closed after this time."""
HEARTBEAT_SECONDS = 15.0
"""Interval between checks that a page is still there."""
START_SECONDS = 60.0
"""A child that shows nothing within this time is killed."""
LEAVE_SECONDS = 3.0
"""The time for a page or a child to end by itself; then the child is killed."""
LAST_WORDS_BYTES = 4000
"""How much of the end of a child's standard error is kept."""
COOKIE = "advisor_session"
"""The cookie that replaces the token after the first request."""
PRELUDE = b"__GANGLION__\n"
"""What the driver in the child writes before its first packet."""
DRIVER = "advisor.screens.served:ServedDriver"
"""The Textual driver that a child uses instead of a terminal."""
PAGES = Path(__file__).parent
"""The folder of the page, its script and its style."""
TERMINAL = Path(textual_serve.__file__).with_name("static")
"""The terminal emulator in the page, and its fonts."""
HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; font-src 'self'; "
        "img-src 'self' data:; connect-src 'self'; base-uri 'none'; form-action 'none'; "
        "frame-ancestors 'none'"
    ),
    "Cache-Control": "no-cache",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
}
"""Headers of every response: a page loads only from this server, and no other page may embed it."""
REFUSAL = """<!DOCTYPE html>
<html lang="en"><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">
<title>advisor</title><body style="font: 20px/1.5 sans-serif; margin: 2em">
<p>{}</p><p><a href="/">Try again</a></p></html>
"""
NO_TOKEN = (
    "This address needs its token, and none or a wrong one came with the request. Nothing was changed. "
    "Open the whole address that <code>advisor serve</code> printed when it was started, with everything "
    "after <code>?token=</code>."
)
WRONG_HOST = (
    "This address is only for programs on the machine itself, under the names localhost, 127.0.0.1 and "
    "[::1]. Nothing was changed. Open one of these, or start <code>advisor serve</code> with "
    "<code>--host</code> for other machines."
)
WRONG_ORIGIN = (
    "The screens are driven by their own page only, and this request came from another. Nothing was changed. "
    "Open the address of the screens itself."
)
NOT_ENCRYPTED = (
    "Other machines can reach this address, and nothing is encrypted: whoever can listen on the network can "
    "read the token and the cases. Serve only on a network that you trust."
)
MALFORMED = (
    "Something other than HTTP was refused. Nothing was changed. Open the address in a browser, with "
    "http:// in front."
)
WRONG_TOKEN = (
    "A wrong token or an old cookie was refused. Nothing was changed. If it was a browser here, "
    "open the whole address that was printed above."
)
FAILED = (
    "A request failed. Screens that are open are kept. Tell whoever looks after the program; the error is "
    "above."
)
NO_MORE_FILES = (
    "The system does not let this program open more connections now. Screens that are open are kept. Raise "
    "the limit on open files (ulimit -n)."
)
NO_DOWNLOAD = (
    "There is no such paper, or it was downloaded before. The job is kept. Save it again on the job's screen."
)
FULL = (
    f"All {SESSIONS} places are taken. Nothing was lost.\n"
    "Close the screens on a tablet that is not in use, and open this page again."
)
NOT_STARTED = (
    "The screens could not be started. Nothing was lost.\n"
    "Tell whoever looks after the server; it has this message too:\n\n"
)

Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]

_log = logging.getLogger(__name__)


class CannotListen(Exception):
    """The server cannot listen on this address; the message says which, why, and what to do."""


class UnfitToken(Exception):
    """A token given by hand is unsafe or unusable; the message says why and what to give instead."""


def is_loopback(host: str) -> bool:
    """Return whether a host name or address can only mean this machine."""
    try:
        return host == "localhost" or ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def serve(
    command: Sequence[str], host: str, port: int, token: str | None, tell: Callable[[str], None]
) -> None:
    """Serve the screens that a command opens until Ctrl+C or SIGTERM; `tell` gets their address.

    If no token is given, one is made, on loopback too: that keeps other machines out, but every account and
    service on this one can connect, and no list of accounts names them all.

    Raises `UnfitToken` and `CannotListen`.
    """
    if token is not None:
        _check(token)
    with suppress(KeyboardInterrupt):  # raised only where the loop cannot handle signals
        asyncio.run(_serve(command, host, port, token or secrets.token_urlsafe(TOKEN_BYTES), tell))


def _check(token: str) -> None:
    if len(token) < TOKEN_LETTERS:
        raise UnfitToken(
            f"A token needs at least {TOKEN_LETTERS} characters, so that nobody guesses it, and the one "
            f"given has {len(token)}. Nothing was started. Give a longer one, or give none: one is then made "
            "and printed."
        )
    if not token.isprintable():
        raise UnfitToken(
            "The token that was given has characters that cannot be printed. Nothing was started. Take "
            "letters and digits, or give none: one is then made and printed."
        )


async def _serve(
    command: Sequence[str], host: str, port: int, token: str, tell: Callable[[str], None]
) -> None:
    loop, stopped = asyncio.get_running_loop(), asyncio.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        with suppress(NotImplementedError):
            loop.add_signal_handler(number, stopped.set)
    notices = Notices(_log.warning)
    pages = Pages(command, token, is_loopback(host), notices)
    runner = web.AppRunner(
        pages.application(),
        access_log=None,
        logger=_request_log(notices),
        keepalive_timeout=IDLE_SECONDS,
        shutdown_timeout=2 * LEAVE_SECONDS,
    )
    loop.set_exception_handler(lambda loop, context: _failed(notices, loop, context))
    await runner.setup()
    try:
        server = await _listen(runner, pages.connections, host, port)
        try:
            bound = [listening.getsockname() for listening in server.sockets]
            tell(f"The screens are at http://{_shown(host, bound[0][0])}:{bound[0][1]}/?token={quote(token)}")
            if not all(is_loopback(address[0]) for address in bound):
                tell(NOT_ENCRYPTED)
            tell("Stop with Ctrl+C.")
            await stopped.wait()
        finally:
            server.close()
    finally:
        await runner.cleanup()
        notices.close()


async def _listen(runner: web.AppRunner, connections: Connections, host: str, port: int) -> asyncio.Server:
    answering = runner.server
    assert answering is not None
    try:
        server = await asyncio.get_running_loop().create_server(
            lambda: Connection(connections, answering()), host or None, port, backlog=AT_ONCE
        )
    except (OSError, UnicodeError) as error:
        number = (error.errno or 0) if isinstance(error, OSError) else 0
        why = os.strerror(number) if number > 0 else getattr(error, "strerror", None) or str(error)
        raise CannotListen(
            f"Cannot serve at {host}, port {port}: {why}. Nothing was started. If the port is taken, choose "
            "another with --port; --host has to be an address of this machine."
        ) from error
    for bound in server.sockets:
        with socket.fromfd(bound.fileno(), bound.family, bound.type) as listening:
            listening.listen(WAITING)
    return server


def _request_log(notices: Notices) -> logging.Logger:
    """Return a log for aiohttp that counts requests that are not HTTP, and logs our own errors once."""

    def keep(record: logging.LogRecord) -> bool:
        if record.levelno < logging.WARNING:
            return False
        error = record.exc_info[1] if record.exc_info else None
        if isinstance(error, HttpProcessingError):
            notices.note(MALFORMED)
            return False
        first = FAILED not in notices.held
        notices.note(FAILED)
        return first

    log = logging.Logger(f"{__name__}.requests")
    log.parent = _log
    log.addFilter(keep)
    return log


def _failed(notices: Notices, loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
    """Log an error outside a request, such as that no socket could be opened for a browser."""
    error = context.get("exception")
    if isinstance(error, OSError) and error.errno in (errno.EMFILE, errno.ENFILE):
        notices.note(NO_MORE_FILES)
    elif FAILED in notices.held:
        notices.note(FAILED)
    else:
        loop.default_exception_handler(context)
        notices.note(FAILED)


def _shown(host: str, bound: str) -> str:
    """Return the host for a URL; if bound to every address, the one the network sees."""
    if ipaddress.ip_address(bound.partition("%")[0]).is_unspecified:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
            try:
                probe.connect(("192.0.2.1", 9))  # a documentation address (RFC 5737); nothing is sent
                host = probe.getsockname()[0]
            except OSError:
                host = socket.gethostname()
    return f"[{host}]" if ":" in host else host


class Pages:
    """The web application: access control, the page, and the screens behind each open page.

    `local` says that the server listens on loopback only.
    """

    def __init__(self, command: Sequence[str], token: str, local: bool, notices: Notices) -> None:
        self.command, self.token, self.local, self.notices = list(command), token, local, notices
        self.connections = Connections(notices)
        self.wrong = WrongTokens(time.monotonic)
        self.leaving = asyncio.Event()
        self.open: set[web.WebSocketResponse] = set()
        self.downloads = DownloadManager()
        self.cookie = hmac.digest(token.encode(), COOKIE.encode(), "sha256").hex()

    def application(self) -> web.Application:
        """Return the aiohttp application."""
        application = web.Application(middlewares=[self.guarded])
        application.router.add_get("/", self.page)
        application.router.add_get("/ws", self.connected)
        application.router.add_get("/download/{key}", self.downloaded)
        application.router.add_static("/web", PAGES)
        application.router.add_static("/static", TERMINAL)
        application.on_response_prepare.append(self.careful)
        application.on_shutdown.append(self.ended)
        return application

    @web.middleware
    async def guarded(self, request: web.Request, handler: Handler) -> web.StreamResponse:
        """Answer only requests with the token or its cookie, and on loopback only under its own names."""
        if self.local and not is_loopback(_split(f"//{request.host}").hostname or ""):
            return _refused(WRONG_HOST)
        token, cookie = request.query.get("token", ""), request.cookies.get(COOKIE, "")
        if request.path == "/" and _same(token, self.token):
            self.connections.let_in(request.transport)
            entered = web.Response(status=303, headers={"Location": "/"})
            entered.set_cookie(COOKIE, self.cookie, httponly=True, samesite="Strict")
            return entered
        if _same(cookie, self.cookie):
            self.connections.let_in(request.transport)
            return await handler(request)
        if token or cookie:
            await self.slowed(request)
        refused = _refused(NO_TOKEN)
        refused.force_close()
        return refused

    async def slowed(self, request: web.Request) -> None:
        """Delay the answer to a wrong token, longer for each one from the same address.

        A right token is never delayed, so that nobody can lock out others at their address; it is the length
        of the token that makes guessing hopeless.
        """
        self.connections.refuse(request.transport)
        address = address_of(request.get_extra_info("peername"))
        self.notices.note(WRONG_TOKEN, address=address)
        with suppress(TimeoutError):
            async with asyncio.timeout(self.wrong.wait(address)):
                await self.leaving.wait()

    async def careful(self, _: web.Request, response: web.StreamResponse) -> None:
        """Add the security headers to every response."""
        response.headers.update(HEADERS)

    async def page(self, _: web.Request) -> web.StreamResponse:
        """Return the page with the terminal."""
        return web.FileResponse(PAGES / "index.html")

    async def connected(self, request: web.Request) -> web.StreamResponse:
        """Run the screens of a page from when it opens until it closes."""
        if _split(request.headers.get("Origin", "")).netloc.lower() != request.host.lower():
            return _refused(WRONG_ORIGIN)
        page = web.WebSocketResponse(
            heartbeat=HEARTBEAT_SECONDS, max_msg_size=MESSAGE_BYTES, timeout=LEAVE_SECONDS
        )
        await page.prepare(request)
        if len(self.open) >= SESSIONS:
            await page.send_bytes(_written(FULL))
            await page.close(code=WSCloseCode.TRY_AGAIN_LATER)
            return page
        self.open.add(page)
        screens = Screens(self.command, page, self.downloads)
        try:
            await screens.start(*_size(request.query.get("width"), request.query.get("height")))
            await _relayed(page, screens)
        finally:
            try:
                await screens.stop()
            finally:
                self.open.discard(page)
        return page

    async def downloaded(self, request: web.Request) -> web.StreamResponse:
        """Return a paper saved on the screens, once, by the key that only its page knows."""
        key = request.match_info["key"]
        try:
            paper = await self.downloads.get_download_metadata(key)
        except KeyError:
            return _refused(NO_DOWNLOAD, 404)
        answer = web.StreamResponse(
            headers={
                "Content-Type": paper.mime_type,
                "Content-Disposition": f"attachment; filename*=UTF-8''{quote(paper.file_name, safe='')}",
            }
        )
        await answer.prepare(request)
        async for chunk in self.downloads.download(key):
            await answer.write(chunk)
        await answer.write_eof()
        return answer

    async def ended(self, _: web.Application) -> None:
        """Close all pages' sockets; their children end with them."""
        self.leaving.set()
        await asyncio.gather(*(page.close(code=WSCloseCode.GOING_AWAY) for page in self.open))


class Screens(AppService):
    """A child process with the screens, and the WebSocket of the page that shows them."""

    def __init__(
        self, command: Sequence[str], page: web.WebSocketResponse, downloads: DownloadManager
    ) -> None:
        super().__init__(
            join(command),
            write_bytes=page.send_bytes,
            write_str=page.send_str,
            close=self.close,
            download_manager=downloads,
        )
        self.downloads = downloads
        self.words, self.page = command, page
        self.child: Process | None = None

    async def close(self) -> None:
        """Close the page's socket."""
        await self.page.close()

    async def _open_app_process(self, width: int = USUAL_SIZE[0], height: int = USUAL_SIZE[1]) -> Process:
        """Start the child without a shell, in a session of its own, so that the server's Ctrl+C spares it."""
        environment = {**self._build_environment(width, height), "TEXTUAL_DRIVER": DRIVER}
        self.child = await asyncio.create_subprocess_exec(
            *self.words, stdin=PIPE, stdout=PIPE, stderr=PIPE, env=environment, start_new_session=True
        )
        self._stdin = self.child.stdin
        return self.child

    async def start(self, width: int, height: int) -> None:
        """Start the child; if the system refuses, say so in the page."""
        try:
            await super().start(width, height)
        except OSError as error:
            await self.not_started(str(error))

    async def run(self) -> None:
        """Relay the child's output to the page until it ends; if it does not start, say so in the page."""
        child = self.child
        assert child is not None
        assert child.stdout is not None
        assert child.stderr is not None
        last_words = asyncio.create_task(_last_words(child.stderr))
        try:
            try:
                async with asyncio.timeout(START_SECONDS):
                    while await child.stdout.readuntil() != PRELUDE:
                        pass
            except (TimeoutError, asyncio.IncompleteReadError, asyncio.LimitOverrunError):
                if child.returncode is None:
                    child.kill()
                await self.not_started(f"{await last_words}\nExit code {await child.wait()}.")
                return
            with suppress(asyncio.IncompleteReadError):
                while True:
                    kind, size = await child.stdout.readexactly(1), await child.stdout.readexactly(4)
                    payload = await child.stdout.readexactly(int.from_bytes(size, "big"))
                    with suppress(ConnectionResetError):  # the page has gone; read on, or the child blocks
                        await self.handlers[kind](payload)
            if words := await last_words:
                _log.warning("The screens of a page ended with:\n%s", words)
        finally:
            last_words.cancel()
            await self.close()

    @property
    def handlers(self) -> Mapping[bytes, Callable[[bytes], Awaitable[None]]]:
        """Handlers of the child's packets by their kind."""
        return {b"D": self.on_data, b"M": self.on_meta, b"P": self.on_packed}

    async def on_meta(self, data: bytes) -> None:
        """Close the page's socket when the screens end, and deliver papers; ignore everything else."""
        kind = json.loads(data)["type"]
        if kind == "exit":
            await self.close()
        elif kind == "deliver_file_start":
            await super().on_meta(data)

    async def not_started(self, why: str) -> None:
        """Say in the page and in the log that the screens did not start, and why."""
        _log.error("The screens of a page did not start: %s", why)
        with suppress(ConnectionResetError):
            await self.page.send_bytes(_written(NOT_STARTED + why))
        await self.close()

    async def stop(self) -> None:
        """End the child: closing its input lets it leave by itself; otherwise kill it."""
        if self.child is None:
            return
        self.stdin.close()
        try:
            with suppress(TimeoutError):
                async with asyncio.timeout(LEAVE_SECONDS):
                    await self.child.wait()
        finally:  # also if the wait was cancelled
            with suppress(ProcessLookupError):
                self.child.kill()
            if self._task is not None:
                self._task.cancel()
            await self.child.wait()


async def _relayed(page: web.WebSocketResponse, screens: Screens) -> None:
    """Forward valid messages from the page to the child; close the page after an invalid one."""
    async for message in page:
        try:
            sent = json.loads(message.data) if message.type is WSMsgType.TEXT else None
        except (ValueError, RecursionError):
            sent = None
        match sent:
            case ["stdin", str(typed)]:
                await screens.send_bytes(typed.encode("utf-8", "replace"))
            case ["resize", {"width": across, "height": down}]:
                await screens.set_terminal_size(*_size(across, down))
            case ["ping", str(when)]:
                with suppress(ConnectionResetError):
                    await page.send_json(["pong", when])
            case ["focus"]:
                await screens.focus()
            case ["blur"]:
                await screens.blur()
            case _:
                await page.close(code=WSCloseCode.UNSUPPORTED_DATA)


def _size(across: object, down: object) -> tuple[int, int]:
    """Return the columns and lines that a page asks for, within limits."""
    wanted = [int(side) if re.fullmatch("[0-9]{1,3}", side) else 0 for side in (str(across), str(down))]
    return (
        min(wanted[0], LARGEST_SIZE[0]) or USUAL_SIZE[0],
        min(wanted[1], LARGEST_SIZE[1]) or USUAL_SIZE[1],
    )


async def _last_words(stream: asyncio.StreamReader) -> str:
    """Return the end of what a child wrote to standard error, without colours."""
    kept = b""
    while more := await stream.read(LAST_WORDS_BYTES):
        kept = (kept + more)[-LAST_WORDS_BYTES:]
    return visible(re.sub(r"\x1b\[[0-9;?]*[a-zA-Z]", "", kept.decode("utf-8", "replace"))).strip()


def _written(words: str) -> bytes:
    """Return the bytes that show words on a cleared terminal."""
    lines = ("".join(filter(str.isprintable, line)) for line in words.splitlines())
    return ("\x1b[2J\x1b[H\x1b[?25l" + "\r\n".join(lines)).encode("utf-8", "replace")


def _same(sent: str, wanted: str) -> bool:
    """Compare two secrets in constant time."""
    return hmac.compare_digest(sent.encode("utf-8", "replace"), wanted.encode("utf-8", "replace"))


def _split(address: str) -> SplitResult:
    """Return the parts of a URL, all empty if it is invalid."""
    try:
        return urlsplit(address)
    except ValueError:
        return urlsplit("")


def _refused(why: str, status: int = 403) -> web.Response:
    return web.Response(status=status, text=REFUSAL.format(why), content_type="text/html")
