"""A review of a made-up run: as an application to ask, or as a server in a process of its own."""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
import synthetic_runs as made
from starlette.testclient import TestClient

from crownlet.datasets.files.images import read_page
from crownlet.infer.review.picture_cache import PictureCache
from crownlet.infer.review.store import ReviewStore
from crownlet.infer.review.web.app import create_app
from crownlet.infer.review.web.security import SecurityMiddleware
from crownlet.infer.review.web.session import ReviewSession
from crownlet.infer.run.run import Run, open_run

PORT, TOKEN = 8123, "a-token-of-the-test"
"""The token of the first browser; each has one of its own (`Review.app.token`)."""
HOST = f"127.0.0.1:{PORT}"
ORIGIN = {"Origin": f"http://{HOST}"}


@dataclass
class Review:
    """A review to be asked without a browser."""

    run: Run
    store: ReviewStore
    app: SecurityMiddleware

    def client(self, *, entered: bool = True, reader: str = "anna") -> TestClient:
        """A window; with `entered`, opened with the token and named."""
        window = TestClient(self.app, base_url=f"http://{HOST}")  # type: ignore[arg-type]
        if entered:
            assert window.get(f"/?token={self.app.token}").status_code == 200
            assert window.post("/reader", data={"reader": reader}, headers=ORIGIN).is_success
        return window


@contextmanager
def review(run: Run, **options: float) -> Iterator[Review]:
    """The application over a run."""
    store = ReviewStore.open(run.folder / "review.sqlite3", run, **options)  # type: ignore[arg-type]
    crops = PictureCache(run)
    try:
        yield Review(run, store, create_app(ReviewSession(run, store, crops), TOKEN, PORT))
    finally:
        crops.close()
        store.close()


def say(window: TestClient, item: object, version: object, choice: str = "present", **more: object):
    """Send one decision as the page's script does."""
    data = {"reader": "anna", "items": [[str(item), str(version)]], "choice": choice, **more}
    return window.post("/decide", json=data, headers=ORIGIN)


def wall_run(folder: Path, pages: int, letters: int, scan: int = 1) -> Run:
    """Pages of nothing but the letter he, each doubted for the same reason: one large wall.

    `scan` enlarges the pictures, so that decoding them takes its time.
    """
    (folder / "scans").mkdir(parents=True, exist_ok=True)
    for number in range(pages):
        name = f"p{number:02d}"
        page = made.record(name, letters, doubted=0)
        glyphs = tuple(
            replace(
                g, letter="ה", expected="ה", route="review", reasons=("leg_touches_roof",),
                box=tuple(scan * v for v in g.box), body=(*(scan * v for v in g.body[:3]), 0.0),
                p={"leg_touches_roof": 0.6},
            )
            for g in page.glyphs
        )  # fmt: skip
        image = np.full((made.SHAPE[0] * scan, made.SHAPE[1] * scan, 3), 225, np.uint8)
        image[0, 0] = number
        for g in glyphs:
            x0, y0, x1, y1 = map(int, g.box)
            image[y0 : y0 + (y1 - y0) // 4, x0:x1] = 25
            image[y0:y1, x1 - (x1 - x0) // 4 : x1] = 25
            image[y0 + (y1 - y0) // 2 : y1, x0 : x0 + (x1 - x0) // 4] = 25
        path = folder / "scans" / f"{name}.png"
        path.write_bytes(cv2.imencode(".png", image)[1].tobytes())
        facts = read_page(path).facts
        made.write_page(replace(page, glyphs=glyphs, gaps=(), image=facts), folder / "run")
    return open_run(folder / "run")


class Server:
    """`crownlet review` in a process of its own."""

    def __init__(self, run: Path, *options: str) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", "crownlet.infer.cli", "review", str(run), *options],
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        self._next = self._printed()
        self.base = self._next.partition("/?")[0]

    def _printed(self) -> str:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            if found := re.search(r"http://127\.0\.0\.1:\d+/\?token=\S+", line):
                return found[0]
        raise AssertionError(self.process.communicate()[1])

    @property
    def address(self) -> str:
        """The address that opens the next browser; each is worth something once."""
        address, self._next = self._next or self._printed(), ""
        return address

    def kill(self) -> None:
        """As a power cut would: SIGKILL, no word of farewell."""
        self.process.kill()
        self.process.wait(60)
