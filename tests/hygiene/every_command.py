"""Every command of the package run once, in one process, as far as it comes on a tiny page.

    python tests/hygiene/every_command.py SCANS OUT

`COVERED` names each by its program and its own names; what serves a page is opened and closed.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

from hydra import compose, initialize_config_module
from write_watch import WriteWatch

TRAIN_JOBS = ("render", "evaluate", "proof")

LONG_JOBS = {
    "fit": "learns; tests/train/test_fit.py",
    "export": "learns the means of letters; tests/train/test_release_job.py",
    "critic": "learns; tests/train/test_realism.py",
    "gate": "reads hundreds of pages; tests/train/test_release_job.py",
    "integers": "renders and reads pages; tests/train/test_quantise.py",
    "new_hand": "learns; tests/train/test_new_hand.py",
    "promise": "reads thousands of pages; tests/train/test_risk_control_job.py",
    "promote": "all of these; tests/train/test_walk.py",
    "reference": "reads hundreds of pages; tests/train/test_drift.py",
    "restore": "needs a store of versions; tests/train/test_release_job.py",
}
"""Jobs that take minutes even at the least sizes, and the tests in which they run."""

POOL = ("data.pages=2", "data.watch_pages=1", "data.workers=0", "data.photographs=0")


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
        watch.unheld.clear()


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


def train_job(name: str) -> Callable[[Path, Path], None]:
    """A job of `crownlet-train`."""

    def run(scans: Path, out: Path) -> None:
        from crownlet.train.cli import run_job

        folder = out / "train" / name
        with initialize_config_module("crownlet.configs", version_base="1.3"):
            places = (f"out='{folder}'", f"data.folder='{out / 'pool'}'")
            settings = [f"job={name}", *places, *POOL]
            config = compose("train", settings)
        try:
            run_job(config)
        except SystemExit as end:
            assert isinstance(end.code, str) and "\n" not in end.code, (name, end.code)

    return run


def render(scans: Path, out: Path) -> None:
    """`crownlet-render`: what its command does behind Hydra."""
    from omegaconf import OmegaConf

    from crownlet.datasets.render.cli import render as render_pages
    from crownlet.datasets.render.page.spec import spec_from

    with initialize_config_module("crownlet.configs", version_base="1.3"):
        values = OmegaConf.to_container(compose("render", ["pages=1"]), resolve=True)
    assert isinstance(values, dict)
    render_pages(out / "rendered", spec_from(values["render"], values["augment"]), 1)


def demo(scans: Path, out: Path) -> None:
    """`crownlet demo` with one of its sample sheets."""
    from crownlet.infer import cli
    from crownlet.infer.demo import run

    few = [sheet for sheet in run.list_sample_sheets() if sheet.side == "reverse"][:1]
    run.list_sample_sheets = lambda: few
    assert cli.main(["demo", str(out / "demo")]) == 0


def survey_run(scans: Path, out: Path) -> None:
    """`crownlet survey run` on two sources."""
    from crownlet.infer import cli

    rows = [f"{page},s{k},source {k},face" for k, page in enumerate(sorted(scans.iterdir()))]
    manifest = out / "manifest.csv"
    manifest.write_text("\n".join(("scan,scroll,source,side", *rows)) + "\n")
    assert cli.main(["survey", "run", str(manifest), "--out", str(out / "survey")]) == 0


ADD = ("--split", "train", "--scroll", "a", "--provenance", "drawn")

COVERED: dict[str, Callable[[Path, Path], None]] = {
    "crownlet inspect": crownlet("inspect", "{scans}", "--out", "{out}/run"),
    "crownlet sheet": crownlet("sheet", "{out}/run"),
    "crownlet review": crownlet("review", "{out}/run"),
    "crownlet review --export": crownlet("review", "{out}/run", "--export"),
    "crownlet drift": crownlet("drift", "{out}/run", codes=(0, 2)),
    "crownlet open": crownlet("open", "{out}/stack", "--no-browser"),
    "crownlet demo": demo,
    "crownlet survey plan": crownlet("survey", "plan", "--rate", "0.05", "--difference", "0.05"),
    "crownlet survey run": survey_run,
    "crownlet survey compare": crownlet("survey", "compare", "{out}/survey", codes=(0, 2)),
    "crownlet survey export": crownlet("survey", "export", "{out}/survey", codes=(0, 2)),
    "crownlet survey merge": crownlet(
        "survey", "merge", "{out}/survey", "--out", "{out}/merged", codes=(0, 2)
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
    **{f"crownlet-train job={name}": train_job(name) for name in TRAIN_JOBS},
}  # fmt: skip


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
