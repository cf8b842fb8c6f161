"""From a page image to a table of letters with classes, probabilities and routes.

What a Python user needs stands here, loaded when it is first asked for: importing the package alone
costs nothing, and nothing in it imports torch. `pipeline.py` shows a page's way from top to bottom.

    from crownlet.infer import Inspector, collect_findings, load_customs, write_page

    inspector = Inspector(customs="beit_yosef")
    page = inspector.inspect("scans/0001.png", portion="mezuzah")
    findings = collect_findings(page, load_customs("beit_yosef"))
    write_page(page, Path("run"), findings)

Every error that the package raises on purpose is a `CrownletError`; the tree of them stands in
`crownlet.datasets.files.errors`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from crownlet.datasets.files.errors import CrownletError as CrownletError
    from crownlet.datasets.files.errors import FileFault as FileFault
    from crownlet.datasets.files.images import PageError as PageError
    from crownlet.datasets.scribal.customs import load_customs as load_customs
    from crownlet.infer.findings.collect import collect_findings as collect_findings
    from crownlet.infer.findings.finding import Finding as Finding
    from crownlet.infer.hand_records import HabitRecord as HabitRecord
    from crownlet.infer.inspector import Inspector as Inspector
    from crownlet.infer.networks import ModelError as ModelError
    from crownlet.infer.records import PageRecord as PageRecord
    from crownlet.infer.run.run import open_run as open_run
    from crownlet.infer.run.tables import RunError as RunError
    from crownlet.infer.run.write import write_page as write_page

    __version__: str

__all__ = [
    "CrownletError", "FileFault", "Finding", "HabitRecord", "Inspector", "ModelError", "PageError",
    "PageRecord", "RunError", "collect_findings", "load_customs", "open_run", "write_page",
]  # fmt: skip

_HOMES = (
    "crownlet.datasets.files.errors.CrownletError",
    "crownlet.datasets.files.errors.FileFault",
    "crownlet.datasets.files.images.PageError",
    "crownlet.datasets.scribal.customs.load_customs",
    "crownlet.infer.findings.collect.collect_findings",
    "crownlet.infer.findings.finding.Finding",
    "crownlet.infer.inspector.Inspector",
    "crownlet.infer.networks.ModelError",
    "crownlet.infer.hand_records.HabitRecord",
    "crownlet.infer.records.PageRecord",
    "crownlet.infer.run.run.open_run",
    "crownlet.infer.run.tables.RunError",
    "crownlet.infer.run.write.write_page",
)


def __getattr__(name: str) -> object:
    """A public name, loaded from its home; `__version__` is that of the installed package."""
    if name == "__version__":
        return _version()
    for home in _HOMES:
        module, _, public = home.rpartition(".")
        if public == name:
            from importlib import import_module

            return getattr(import_module(module), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__, "__version__"])


def _version() -> str:
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version("crownlet")
    except PackageNotFoundError:  # A checkout that is on the path without being installed.
        return "unknown"
