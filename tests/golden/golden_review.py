"""A review without a browser: what the page's script would send, over HTTP, by a fixed rule.

The addresses and the attributes `data-id` and `data-version` are all that is taken from the page.
"""

from __future__ import annotations

import json
import re
import signal
import subprocess
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from http.cookiejar import CookieJar
from pathlib import Path
from typing import Any
from urllib.error import HTTPError
from urllib.parse import urlencode
from urllib.request import HTTPCookieProcessor, OpenerDirector, Request, build_opener

from golden_commands import Commands, environment, start_of

ADDRESS = re.compile(r"(http://127\.0\.0\.1:\d+)/\?token=\S+")
ITEM = re.compile(r'data-id="(\d+)" data-version="(\d+)"')
WALL = re.compile(r'href="(/wall/[^"]+)"')
CHOICES = ("present", "not_present", "cannot_tell", "authority", "other_letter", "not_present")
KEPT_WALLS = 8
"""Walls whose pages are kept, of each reader."""
KEPT_LETTERS = 6
"""Letters whose pictures are kept, of each reader."""


class Window:
    """A reader's window; every answer that is worth holding goes into `folder`."""

    def __init__(self, address: str, base: str, reader: str, folder: Path) -> None:
        self._opener: OpenerDirector = build_opener(HTTPCookieProcessor(CookieJar()))
        self._base, self._reader, self._folder = base, reader, folder
        folder.mkdir(parents=True, exist_ok=True)
        self._ask(address.removeprefix(base))
        self._ask("/reader", urlencode({"reader": reader}).encode())

    def _ask(self, path: str, data: bytes | None = None, kind: str = "") -> tuple[int, bytes]:
        headers = {"Origin": self._base} | ({"Content-Type": kind} if kind else {})
        request = Request(self._base + path, data, headers)
        try:
            with self._opener.open(request, timeout=300) as answer:
                return answer.status, answer.read()
        except HTTPError as error:
            return error.code, error.read()

    def page(self, path: str, keep_as: str = "") -> str:
        """A page's text, kept under a name where one is given."""
        status, body = self._ask(path)
        if keep_as:
            (self._folder / keep_as).write_bytes(body if status == 200 else b"%d\n" % status + body)
        return body.decode(errors="replace")

    def post(self, path: str, data: dict[str, Any], keep_as: str = "") -> Any:
        """Send as the page's script does; the answer's JSON, its status put in."""
        sent = json.dumps({"reader": self._reader, **data}).encode()
        status, body = self._ask(path, sent, "application/json")
        answer = {"status": status, **json.loads(body)}
        if keep_as:
            text = json.dumps(answer, ensure_ascii=False, indent=1)
            (self._folder / keep_as).write_text(text, encoding="utf-8")
        return answer

    def form(self, path: str, **values: str) -> None:
        """Send a form."""
        self._ask(path, urlencode(values).encode())

    def walls(self) -> list[str]:
        """Addresses of all walls, in the order of the beginning."""
        return list(dict.fromkeys(WALL.findall(self.page("/"))))


OpenWindow = Callable[[str, Path], Window]


@contextmanager
def served(commands: Commands, run: str, *options: str) -> Iterator[OpenWindow]:
    """`crownlet review RUN`, ended as by Ctrl-C; what opens a reader's window, in a folder."""
    arguments = ("review", run, *options)
    process = subprocess.Popen(
        start_of("crownlet", *arguments), cwd=commands.out, env=environment(),
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, encoding="utf-8",
    )  # fmt: skip
    printed, ended = "", False
    try:
        assert process.stdout is not None
        found, line = None, ""
        # To the last line of the greeting: what the pipe's buffer holds is lost to `communicate`.
        while found is None or "Ctrl-C" not in line:
            line = process.stdout.readline()
            if not line:
                raise RuntimeError(f"the review did not start: {process.communicate()[1]}")
            printed += line
            found = found or ADDRESS.search(line)
        address, base = found[0], found[1]

        def open_window(reader: str, folder: Path) -> Window:
            nonlocal printed, address
            window = Window(address, base, reader, folder)
            assert process.stdout is not None
            line = process.stdout.readline()
            printed += line
            following = ADDRESS.search(line)
            assert following is not None
            address = following[0]
            return window

        yield open_window
        process.send_signal(signal.SIGINT)
        stdout, stderr = process.communicate(timeout=300)
        commands.keep(("crownlet", *arguments), process.returncode, printed + stdout, stderr)
        ended = True
    finally:
        if not ended:
            process.kill()
            process.wait(60)


def review(commands: Commands, run: str, answers: str) -> None:
    """Two readers who differ, an undoing, a stale decision, one decision after being told."""
    with served(commands, run, "--audit", "0.03", "--seed", "5") as open_window:
        first = open_window("Reader A", commands.out / answers / "a")
        first.page("/", "start.html")
        _decide_walls(first, "a", leave_every=5)
        first.post("/undo", {}, "undo.json")
        _one_by_one(first)
        first.page("/", "end.html")
        second = open_window("Reader B", commands.out / answers / "b")
        _decide_walls(second, "b", leave_every=3)
        second.page("/differences", "differences.html")


def answer_audit(commands: Commands, survey: str, answers: str) -> None:
    """One reader who answers every question of a survey's audit."""
    with served(commands, survey, "--reader", "Reader A") as open_window:
        window = open_window("Reader A", commands.out / answers)
        window.page("/", "start.html")
        _decide_walls(window, "audit", leave_every=0)
        window.page("/", "end.html")


def _decide_walls(window: Window, rule: str, leave_every: int) -> None:
    """Decide wall by wall, each choice sent once for all its letters; some letters stay open."""
    pictures = 0
    for number, wall in enumerate(window.walls()):
        page = window.page(wall, f"wall-{number:02d}.html" if number < KEPT_WALLS else "")
        chosen: dict[str, list[list[str]]] = {}
        for item, version in ITEM.findall(page):
            if pictures < KEPT_LETTERS:
                pictures += 1
                for cut in ("wall", "line", "near"):
                    window.page(f"/crop/{item}/{cut}.jpg", f"letter-{item}-{cut}.jpg")
            draw = zlib.crc32(f"{rule} {item}".encode())
            if not leave_every or draw % leave_every:
                chosen.setdefault(CHOICES[draw // 64 % len(CHOICES)], []).append([item, version])
        for choice, items in sorted(chosen.items()):
            right = ("ר" if wall.endswith("/dalet") else "ד") if choice == "other_letter" else None
            data = {"items": items, "choice": choice, "right_letter": right, "wall": True}
            name = f"wall-{number:02d}-{choice}.json" if number < KEPT_WALLS else ""
            window.post("/decide", data, name)


def _one_by_one(window: Window) -> None:
    """A letter decided blind with a note, one decided after being told, one on an old version."""
    page = window.page("/one", "one-blind.html")
    item, version = ITEM.findall(page)[0]
    data = {"items": [[item, version]], "choice": "authority", "note": 'A note, "with" ‹signs›;'}
    window.post("/decide", data, "one-blind.json")
    window.post("/decide", data, "one-stale.json")
    window.form("/blind", blind="0", back="/")
    page = window.page("/one", "one-told.html")
    item, version = ITEM.findall(page)[0]
    window.post("/decide", {"items": [[item, version]], "choice": "present"}, "one-told.json")
    window.form("/blind", blind="1", back="/")
