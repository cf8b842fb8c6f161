"""Python that ends a process which asks the network, and how to take the network from it."""

from __future__ import annotations

import shutil
import subprocess

WATCH = """
import sys
EVENTS = ("socket.connect", "socket.getaddrinfo", "socket.gethostbyname", "socket.sendto",
          "socket.bind", "urllib.Request", "http.client.connect", "ftplib.connect")
def hook(event, arguments):
    if event in EVENTS and "AF_UNIX" not in repr(arguments[:1]):
        sys.stderr.write(f"NETWORK {event} {arguments!r}\\n")
        raise PermissionError(f"no network: {event}")
sys.addaudithook(hook)
"""
SERVING = WATCH.replace(
    "    if event in EVENTS", "    if event == 'socket.bind' and arguments[1][0] == '127.0.0.1':\n"
    "        return\n    if event in EVENTS",
)  # fmt: skip
"""The same where pages are served to this machine alone."""


def isolated() -> list[str]:
    """How to begin a command without a network, where that is possible."""
    if shutil.which("unshare") is None:
        return []
    tried = subprocess.run(["unshare", "-rn", "true"], capture_output=True)
    return ["unshare", "-rn"] if tried.returncode == 0 else []
