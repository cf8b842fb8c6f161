"""Pages made and read in several processes, each with an inspector of its own.

Pages come in the order of the jobs, read by one thread each: the number of processes changes
nothing but the time.
"""

from __future__ import annotations

import multiprocessing as mp
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import TypeVar

import cv2
import numpy as np

from crownlet.datasets.coco.truth import PageTruth
from crownlet.datasets.files.images import PageError
from crownlet.datasets.render.page.compose import compose
from crownlet.datasets.render.page.spec import PageSpec
from crownlet.datasets.scribal.portion import Portion
from crownlet.datasets.scribal.texts import load_portion
from crownlet.infer.inspector import Inspector
from crownlet.infer.networks import OnnxNetworks, weights_folder
from crownlet.infer.records import PageRecord
from crownlet.train.evaluation.type_pages import TypeSpec, compose_type_page

OWN_TEXT = "own"
"""In place of a portion's name: the text that the page itself should have held."""


def text_of(page: PageTruth) -> Portion:
    """The expected letters of a page in its own words, absent ones put back.

    A letter left out at the beginning of a word is given to the word before it.
    """
    absent: dict[int, list[str]] = {}
    for after, char in page.missing:
        absent.setdefault(after, []).append(char)
    words: dict[int, str] = {}
    for i, letter in enumerate(page.letters):
        # What is missing before the first letter of the page belongs to its first word.
        before = absent.get(-1, []) if i == 0 else []
        here = [*before, letter.expected or "", *absent.get(i, [])]
        words[letter.word] = words.get(letter.word, "") + "".join(here)
    return Portion(
        "its own text", tuple(word for word in words.values() if word), None, frozenset()
    )


Item = TypeVar("Item")
Found = TypeVar("Found")


@dataclass(frozen=True)
class ReadingJob:
    """One page: how it is made, and against which texts it is read (None: without a text)."""

    spec: PageSpec | TypeSpec | PageTruth
    """What to make, or, of a labelled scan, the page itself."""
    seed: int
    texts: tuple[str | None, ...] = (None,)

    def page(self) -> PageTruth:
        """Make the page; the same job gives the same bytes."""
        if isinstance(self.spec, PageTruth):
            return self.spec
        if isinstance(self.spec, TypeSpec):
            return compose_type_page(self.spec, self.seed)
        return compose(self.spec, self.seed)


@dataclass(frozen=True)
class ReadPage:
    """What is written on a page, without picture and outlines, and a record for each text."""

    job: ReadingJob
    truth: PageTruth
    records: tuple[PageRecord, ...] | None
    """None for a page that was refused."""


@dataclass(frozen=True)
class PageReader:
    """Which networks read, by which customs, in how many processes."""

    model: str
    customs: str
    workers: int = 1

    def read(self, jobs: Sequence[ReadingJob]) -> Iterator[ReadPage]:
        """All pages, in order. Errors of a process come out here."""
        return self.each(read_page, jobs)

    def each(
        self, work: Callable[[Inspector, Item], Found], items: Sequence[Item]
    ) -> Iterator[Found]:
        """What `work`, a function of a module, gives for each item, in order."""
        if self.workers <= 1:
            inspector = self.inspector()
            yield from (work(inspector, item) for item in items)
            return
        context = mp.get_context("spawn")
        with context.Pool(min(self.workers, len(items) or 1), _start, (self,)) as pool:
            yield from pool.imap(partial(_do, work), items)

    def inspector(self) -> Inspector:
        """An inspector on one thread: more would change the last digits of the networks."""
        folder = self.model or weights_folder()
        return Inspector(folder, self.customs, networks=OnnxNetworks(folder, threads=1))


def read_page(inspector: Inspector, job: ReadingJob) -> ReadPage:
    """Make and read one page."""
    page = job.page()
    texts = [_text(name, page) for name in job.texts]
    # Pictures would fill the pipes between processes; who needs one makes it again.
    letters = tuple(replace(letter, parts=()) for letter in page.letters)
    truth = replace(page, image=np.zeros((0, 0), np.uint8), letters=letters)
    try:
        loaded = inspector.load(page.image)
    except PageError:
        return ReadPage(job, truth, None)
    return ReadPage(job, truth, tuple(inspector.record(loaded, text) for text in texts))


def _text(name: str | None, page: PageTruth) -> Portion | None:
    if name is None:
        return None
    return text_of(page) if name == OWN_TEXT else load_portion(name)


_inspector: Inspector


def _start(reader: PageReader) -> None:
    global _inspector
    cv2.setNumThreads(1)
    _inspector = reader.inspector()


def _do(work: Callable[[Inspector, Item], Found], item: Item) -> Found:
    return work(_inspector, item)
