"""Every command of the package run once, in one process, as far as it comes on a tiny page.

    python tests/hygiene/every_command.py SCANS OUT

`COVERED` names each by its program and its own names; what serves a page is opened and closed.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

from every_job import JOBS, run_job
from hydra import compose, initialize_config_module
from write_watch import WriteWatch


def main(scans: Path, out: Path) -> None:
    """Run all that `COVERED` names, in its order."""
    from crownlet.infer.commands import open as open_command
    from crownlet.infer.desk.web import app as desk_app
    from crownlet.infer.review.web import app as review_app

    def serve_nothing(make_app: Callable[..., object], *_: object) -> None:
        make_app(lambda: None)

    review_app.run_server = serve_nothing  # type: ignore[assignment]
    desk_app.run_server = serve_nothing  # type: ignore[assignment]
    assert open_command.DEFAULT_FOLDER  # The default lies in HOME: a folder is always given here.
    watch = WriteWatch(out)
    for name, run in COVERED.items():
        print("==", name, flush=True)
        run(scans, out)
        for path in watch.unheld:
            print("UNHELD", path, flush=True)
        for path in watch.in_place():
            print("IN PLACE", path, flush=True)
        watch.unheld.clear()
        watch.opened.clear()


def crownlet(*arguments: str, codes: tuple[int, ...] = (0,)) -> Callable[[Path, Path], None]:
    """A command of `crownlet`; `{scans}` and `{out}` in its arguments are filled in."""

    def run(scans: Path, out: Path) -> None:
        from crownlet.infer import cli

        code = cli.main([text.format(scans=scans, out=out) for text in arguments])
        assert code in codes, (arguments, code)

    return run


def scans_command(*arguments: str, codes: tuple[int, ...] = (0,)) -> Callable[[Path, Path], None]:
    """A command of `crownlet-scans`."""

    def run(scans: Path, out: Path) -> None:
        from crownlet.train.scans_cli import main

        try:
            main([text.format(scans=scans, out=out) for text in arguments])
        except SystemExit as end:
            assert end.code in codes, (arguments, end.code)

    return run


def render(scans: Path, out: Path) -> None:
    """`crownlet-render` with the configuration that Hydra hands to its command."""
    from crownlet.datasets.render.cli import main

    with initialize_config_module("crownlet.configs", version_base="1.3"):
        main(compose("render", ["pages=1", f"out='{out / 'rendered'}'"]))


def demo(scans: Path, out: Path) -> None:
    """`crownlet demo` with one of its sample sheets."""
    from crownlet.infer import cli
    from crownlet.infer.demo import run

    few = [sheet for sheet in run.list_sample_sheets() if sheet.side == "reverse"][:1]
    run.list_sample_sheets = lambda: few
    assert cli.main(["demo", str(out / "demo")]) == 0


def survey_run(scans: Path, out: Path) -> None:
    """`crownlet survey run`, twice: on two sources, and on another scroll of one of them."""
    from crownlet.infer import cli

    pages = sorted(scans.iterdir())
    for name, chosen in (("survey", pages[:2]), ("survey_more", pages[2:])):
        rows = [f"{page},s {page.stem},source {k},face" for k, page in enumerate(chosen)]
        manifest = scans.parent / f"{name}.csv"
        manifest.write_text("\n".join(("scan,scroll,source,side", *rows)) + "\n")
        assert cli.main(["survey", "run", str(manifest), "--out", str(out / name)]) == 0


ADD = ("--split", "train", "--scroll", "a", "--provenance", "drawn")

COVERED: dict[str, Callable[[Path, Path], None]] = {
    "crownlet inspect": crownlet("inspect", "{scans}", "--out", "{out}/run"),
    "crownlet sheet": crownlet("sheet", "{out}/run"),
    "crownlet review": crownlet("review", "{out}/run"),
    "crownlet review --export": crownlet("review", "{out}/run", "--export"),
    "crownlet drift": crownlet("drift", "{out}/run"),
    "crownlet open": crownlet("open", "{out}/stack", "--no-browser"),
    "crownlet demo": demo,
    "crownlet survey plan": crownlet(
        "survey", "plan", "--rate", "0.05", "--difference", "0.05", "--out", "{out}/design.json"
    ),
    "crownlet survey run": survey_run,
    "crownlet survey compare": crownlet("survey", "compare", "{out}/survey"),
    "crownlet survey export": crownlet("survey", "export", "{out}/survey"),
    "crownlet survey merge": crownlet(
        "survey", "merge", "{out}/survey", "{out}/survey_more", "--out", "{out}/merged"
    ),
    "crownlet survey demo": crownlet("survey", "demo", "{out}/survey_demo", "--scrolls", "1"),
    "crownlet-scans add": scans_command("add", "{out}/set", "--scans", "{scans}", *ADD),
    "crownlet-scans check": scans_command("check", "{out}/set", codes=(0, 1)),
    "crownlet-scans datasheet": scans_command("datasheet", "{out}/set"),
    "crownlet-scans label": scans_command("label", "{out}/set", codes=(0, 1)),
    "crownlet-scans choose": scans_command("choose", "{out}/run", "--n", "3"),
    "crownlet-scans move": scans_command(
        "move", "{out}/set", "a", "--to", "test", "--because", "a test"
    ),
    "crownlet-scans remove": scans_command("remove", "{out}/set", "a", "--because", "a test"),
    "crownlet-render": render,
    **{f"crownlet-train job={name}": run_job(name) for name in JOBS},
}  # fmt: skip


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
