"""`crownlet review` from a terminal: what it prints, where it listens, how it ends."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
from pathlib import Path

import httpx
import pytest
import review_server
import synthetic_runs as made
from review_server import Server

from crownlet.infer.cli import main
from crownlet.infer.view.choice import read_locale
from crownlet.infer.view.language import Locale


@pytest.fixture
def run(tmp_path: Path) -> Path:
    return made.pictured(tmp_path, ["a"]).folder


def test_it_ends_cleanly_with_ctrl_c_and_listens_on_this_machine_only(run: Path) -> None:
    server = Server(run)
    port = int(server.base.rpartition(":")[2])
    listening = Path("/proc/net/tcp").read_text().splitlines() if os.name == "posix" else []
    # /proc/net/tcp (proc(5)): local address in hexadecimal, state 0A is LISTEN.
    bound = {
        line.split()[1].split(":")[0]
        for line in listening
        if f":{port:04X}" in line.split()[1] and line.split()[3] == "0A"
    }
    assert bound in ({"0100007F"}, set())
    # It listens before it serves, and begun in the background it hears SIGINT only when it serves.
    assert httpx.get(server.address, timeout=60).status_code < 400
    server.process.send_signal(signal.SIGINT)
    out, errors = server.process.communicate(timeout=600)
    assert server.process.returncode == 0
    assert "The decisions are in" in out and "Traceback" not in errors


def test_language_and_terms_are_kept_with_the_run(run: Path) -> None:
    server = Server(run, "--language", "he", "--terms", "trade")
    server.kill()
    assert read_locale(run) == Locale("he", "trade")
    server = Server(run)
    server.kill()
    assert read_locale(run) == Locale("he", "trade")


def test_each_start_has_a_token_of_its_own(run: Path) -> None:
    addresses = []
    for _ in range(2):
        server = Server(run)
        addresses.append(server.address.partition("token=")[2])
        server.kill()
    assert len(set(addresses)) == 2 and min(map(len, addresses)) >= 32


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        (["--port", "99999"], "choose another"),
        (["--port", "-1"], "choose another"),
        (["--reader", "x" * 61], "name of 1 to 60"),
        (["--export"], "review"),
    ],
)
def test_what_cannot_be_done_is_stated_in_a_sentence(
    run: Path, options: list[str], sentence: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["review", str(run), *options]) == 2
    errors = capsys.readouterr().err
    assert errors.startswith("crownlet: ") and sentence in errors and errors.count("\n") == 1


def test_a_port_that_is_taken_is_stated(run: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = str(taken.getsockname()[1])
        assert main(["review", str(run), "--port", port]) == 2
    assert f"port {port}" in capsys.readouterr().err


def test_no_run_is_stated(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["review", str(tmp_path / "nothing")]) == 2
    assert "there is no such run" in capsys.readouterr().err


@pytest.mark.parametrize("share", ["-0.1", "1.5", "much", "nan"])
def test_a_share_that_is_none_is_refused(run: Path, share: str) -> None:
    with pytest.raises(SystemExit) as refused:
        main(["review", str(run), "--audit", share])
    assert refused.value.code == 2


def test_export_writes_what_was_decided(run: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from crownlet.infer.run.run import open_run

    with review_server.review(open_run(run)) as review:
        item = review.store.items("anna")[0]
        assert review_server.say(review.client(), item.id, item.version).is_success
    assert main(["review", str(run), "--export"]) == 0
    assert "1 decisions" in capsys.readouterr().out.replace("1 decision)", "1 decisions)")
    assert (run / "labels.coco.json").is_file()


def test_the_light_commands_load_no_server() -> None:
    result = subprocess.run(
        [
            sys.executable, "-c",
            "import sys; from crownlet.infer import cli; cli._parser();"
            "print([m for m in ('starlette', 'uvicorn', 'anyio') if m in sys.modules])",
        ],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert result.stdout.strip() == "[]"
