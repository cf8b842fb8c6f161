"""Every error of this package, in one tree: `except CrownletError` catches them all.

The message is one sentence for the user. Where a base in brackets stands beside a class, code that
expects that kind of error catches it as well. On the right: exit code of the command line, where
the error ends the command: 1 if some pages or records failed, 2 if nothing could be done. An error
of a file is a 1 instead once a batch or a survey has begun.

    CrownletError
    ├── FileFault                       a file that cannot be used                  2
    │   ├── PageError                   a picture; the other pages go on            1
    │   ├── ModelError                  a folder of networks                        2
    │   ├── DriftReferenceError         what the networks know, for `drift`         2
    │   ├── RunError                    a run's folder or a table in it             2
    │   ├── ScrollTableError            the table of `inspect --scrolls`            2
    │   │   └── ManifestError           the manifest of a survey                    2
    │   ├── SurveyError                 a survey's folder                           2
    │   ├── DesignError                 the declared design of a survey             2
    │   ├── MergeError                  surveys that do not go together             2
    │   ├── ReviewStoreError            the file of a review's decisions            2
    │   ├── FolderBusyError             a folder that another process writes to     2
    │   ├── StackError                  the folder of `open`                        2
    │   ├── PortError                   a port that is taken, `review`              2
    │   ├── ClusterError                a cluster, or a worker of one               1
    │   └── NoLabelsError               a scan that does not agree with its text    1
    ├── LabelError (ValueError)         labels of a data set                        2
    ├── TypefaceError (ValueError)      a folder of typefaces, or a font            1
    ├── BesideError (ValueError)        sides to show beside each other             2
    ├── PlanError (ValueError)          numbers of `survey plan`                    2
    ├── SurveyTableError (ValueError)   tables that no survey can compare           none: Python
    ├── UserFacingError                 a request of the review page                answer 4xx
    ├── StaleError                      a decision on what has changed since        answer 409
    ├── ChoiceError (ValueError)        a decision that is not clear                answer 400
    ├── ItemError (LookupError)         an item that is not in the queue            answer 404
    ├── TooManyFailuresError (RuntimeError)   pages that cannot be rendered         1
    ├── TrainingError (ValueError)      a training run that cannot begin or go on   1
    │   └── ArchitectureError           weights that are of another network         1
    ├── ModelStoreError (ValueError)    a version of the networks                   1
    └── PromotionRefused                new networks that are not promoted          1

Customs, portions and configurations that are wrong raise ValueError, as Python's own calls do.
"""

from __future__ import annotations

import unicodedata
from pathlib import Path


class CrownletError(Exception):
    """The root of all errors that this package raises on purpose."""


class FileFault(CrownletError):
    """A file that cannot be used: `path` names it, `reason` says why."""

    def __init__(self, path: str | Path, reason: str) -> None:
        super().__init__(f"{plain(path)}: {reason}")
        self.path = str(path)
        self.reason = reason

    def __reduce__(self) -> tuple[object, ...]:
        # A subclass may have other arguments, and errors travel between processes.
        return _restored, (type(self), self.args, dict(self.__dict__))


def _restored(
    kind: type[FileFault], arguments: tuple[object, ...], values: dict[str, object]
) -> FileFault:
    fault = kind.__new__(kind)
    fault.args = arguments
    fault.__dict__.update(values)
    return fault


def plain(path: str | Path) -> str:
    """A path that can be printed on one line: line breaks and broken characters as U+FFFD."""
    text = str(path)
    return "".join(
        "\ufffd" if unicodedata.category(c) in _UNPRINTED and c not in _DIRECTION_MARKS else c
        for c in text
    )


MAX_QUOTED_CHARACTERS = 60


def quoted(text: str) -> str:
    """A text out of a file in quotation marks, cut where it is long, so that it can be printed."""
    cut = text[:MAX_QUOTED_CHARACTERS] + "…" if len(text) > MAX_QUOTED_CHARACTERS else text
    return repr(cut)


_UNPRINTED = ("Cc", "Cf", "Cs", "Zl", "Zp")
"""Unicode categories of control and format characters, broken halves, and separators of lines."""

_DIRECTION_MARKS = "\u200e\u200f"
"""Format characters that names in Hebrew may need: they turn no other character around."""
