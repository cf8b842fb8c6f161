"""The desk itself: a stack, its first looks, its inspection, and the review of what was found."""

from __future__ import annotations

import contextlib
import threading
from pathlib import Path
from typing import TYPE_CHECKING

from crownlet.datasets.files.errors import FileFault
from crownlet.datasets.files.locks import hold_folder
from crownlet.infer.batch.worker import PageJob
from crownlet.infer.desk.choices import check_choices, customs_argument
from crownlet.infer.desk.first_look import FirstLook, look_at
from crownlet.infer.desk.inspection import Inspection, InspectionProgress, list_scrolls
from crownlet.infer.desk.stack import Choices, Stack, StackPicture
from crownlet.infer.networks import OnnxNetworks, weights_folder
from crownlet.infer.review.picture_cache import PictureCache
from crownlet.infer.review.store import ReviewStore
from crownlet.infer.review.web.session import ReviewSession
from crownlet.infer.run.names import PAGES_PART, REVIEW_STORE_FILE
from crownlet.infer.run.run import Run, open_run
from crownlet.infer.thresholds import load_thresholds

if TYPE_CHECKING:
    from collections.abc import Mapping

REVIEW_HOME = "/review"
"""Address of the review's start page at the desk."""

LOOK_FAULT = "A fault of this program: the picture could not be looked at ({})."


class Desk:
    """One stack on the desk; usable from several threads."""

    def __init__(self, stack: Stack) -> None:
        self.stack = stack
        self.inspection = Inspection(stack.run, self._inspection_ended)
        self._wake = threading.Event()
        self._closed = threading.Event()
        self._review_lock = threading.Lock()
        self._session: ReviewSession | None = None
        self._reviewed_state: Mapping[str, int] = {}
        self._looker = threading.Thread(target=self._look, daemon=True, name="first looks")

    def start(self) -> None:
        """Begin to look at pictures, and go on with an inspection that was not finished."""
        self._looker.start()
        self._wake.set()
        if self.stack.inspecting:
            with contextlib.suppress(ValueError, OSError):
                self.inspect()

    def close(self) -> None:
        """End everything; pages in work are lost, finished ones are whole."""
        self._closed.set()
        self._wake.set()
        self.inspection.stop()
        with self._review_lock:
            if self._session is not None:
                self._session.crops.close()
                self._session.store.close()
                self._session = None

    def refresh(self) -> None:
        """Look through the folder again."""
        self.stack.refresh()
        self._wake.set()

    def _look(self) -> None:
        networks, thresholds = OnnxNetworks(weights_folder(), 1), load_thresholds(weights_folder())
        while not self._closed.is_set():
            picture = self._next_unseen()
            if picture is None:
                self._wake.wait()
                self._wake.clear()
                continue
            small = self.stack.small_path(picture)
            try:
                look = look_at(picture.path, small, networks, thresholds)
            except Exception as error:
                # A fault of this program on one picture must not end the others.
                look = FirstLook("unusable", LOOK_FAULT.format(type(error).__name__), ("file",))
            with contextlib.suppress(FileFault):
                self.stack.keep_look(picture, look)

    def _next_unseen(self) -> StackPicture | None:
        return next((each for each in self.stack.listed() if each.look is None), None)

    @property
    def looking(self) -> int:
        """Pictures that wait for their first look."""
        return sum(each.look is None for each in self.stack.listed())

    # Inspection.

    def choose(self, choices: Choices) -> None:
        """Keep text and customs; ValueError for what there is not."""
        check_choices(choices)
        self.stack.choose(choices)

    def inspect(self) -> int:
        """Begin an inspection of all pictures that are not left out; returns how many.

        Pages inspected before with the same choices are kept. ValueError for wrong choices, OSError
        where the customs cannot be written.
        """
        choices = self.stack.choices
        check_choices(choices)
        jobs = [PageJob(picture.path, picture.place) for picture in self.to_inspect()]
        customs = customs_argument(choices, self.stack.desk)
        if jobs:
            self.stack.mark_inspecting(True)
            self.inspection.begin(jobs, choices.portion, customs)
        return len(jobs)

    def to_inspect(self) -> list[StackPicture]:
        """The pictures that are neither left out nor known to be of no use."""
        return [each for each in self.stack.listed() if not (each.left_out or each.is_unusable)]

    def stop(self) -> None:
        """Stop after the pages in work."""
        self.stack.mark_inspecting(False)
        self.inspection.stop()

    def _inspection_ended(self, complete: bool) -> None:
        if complete:
            with contextlib.suppress(FileFault):
                self.stack.mark_inspecting(False)

    def progress(self) -> InspectionProgress:
        """How far the inspection has come."""
        return self.inspection.progress()

    def name_picture(self, key: str, scroll: str, side: str, left_out: bool) -> None:
        """Keep the place of a picture, and list the scrolls of the run anew by it.

        KeyError for no such picture, ValueError for a wrong name, FileFault or OSError where the
        run cannot be read or written, or another process writes to it.
        """
        self.stack.name_picture(key, scroll, side, left_out)
        if not self.inspection.running and self.inspected_state():
            with hold_folder(self.stack.run, "crownlet open", PAGES_PART):
                list_scrolls(self.stack.run, [each.place for each in self.stack.listed()])

    # What was found.

    def inspected_state(self) -> dict[str, int]:
        """The pages of the run, each with the time at which it was written."""
        run = self.stack.run
        if not run.is_dir():
            return {}
        records = ((path.parent.name, path) for path in run.glob("*/page.json"))
        return {name: path.stat().st_mtime_ns for name, path in records if not name.startswith(".")}

    def open_run(self) -> Run | None:
        """The run as it stands; None before a page was inspected. RunError for a damaged one."""
        return open_run(self.stack.run) if self.inspected_state() else None

    def session(self, refresh: bool = False) -> ReviewSession | None:
        """The review of the pages inspected so far; None before the first.

        With `refresh` it is opened again where pages have come or changed. FileFault where the run
        or the decisions cannot be read.
        """
        with self._review_lock:
            if self._session is not None and not refresh:
                return self._session
            state = self.inspected_state()
            if not state:
                return None
            if self._session is None or self._reviewed_state != state:
                run = open_run(self.stack.run)
                store = ReviewStore.open(self.stack.run / REVIEW_STORE_FILE, run)
                crops = PictureCache(run)
                crops.request(store.all_items(), "wall", first=False)
                before, self._session = (
                    self._session, ReviewSession(run, store, crops, home=REVIEW_HOME)
                )  # fmt: skip
                self._reviewed_state = state
                if before is not None:
                    before.crops.close()
                    before.store.close()
            return self._session

    def small_picture(self, picture: StackPicture) -> Path | None:
        """Path of the small picture; None before the first look."""
        path = self.stack.small_path(picture)
        return path if path.is_file() else None
