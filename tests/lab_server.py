"""A JupyterLab of the tests' own on the loopback, with this package and nobody's settings."""

import contextlib
import os
import secrets
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from pathlib import Path

import spattermap


@contextlib.contextmanager
def jupyterlab(home):
    """Serve a folder; yield the address of a notebook in it, with a gap for its path."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    token = secrets.token_hex(16)
    package = str(Path(spattermap.__file__).resolve().parents[1])
    folders = {f"JUPYTER_{kind}_DIR": str(home / kind) for kind in ("CONFIG", "DATA", "RUNTIME")}
    environment = {**os.environ, **folders, "PYTHONPATH": package}
    command = [sys.executable, "-m", "jupyterlab", "--no-browser", "--ip=127.0.0.1"]
    command += [f"--port={port}", "--ServerApp.port_retries=0", f"--ServerApp.root_dir={home}"]
    command += [f"--IdentityProvider.token={token}", "--LabApp.news_url=None"]
    if hasattr(os, "getuid") and os.getuid() == 0:
        command.append("--allow-root")
    with (home / "log.txt").open("w", encoding="utf-8") as log:
        server = subprocess.Popen(command, env=environment, stdout=log, stderr=log)
        try:
            _wait_for(f"http://127.0.0.1:{port}/api?token={token}", server)
            yield f"http://127.0.0.1:{port}/lab/tree/{{}}?token={token}"
        finally:
            server.terminate()
            server.wait(30)


def _wait_for(address, server):
    for _ in range(240):
        try:
            with urllib.request.urlopen(address, timeout=2):
                return
        except (urllib.error.URLError, TimeoutError):
            assert server.poll() is None, "JupyterLab ended at once"
            time.sleep(0.5)
    raise AssertionError("JupyterLab did not answer within two minutes")


def run_all(page, address):
    """Open a notebook and run its cells."""
    page.set_default_timeout(240_000)
    page.goto(address)
    page.get_by_text("(ipykernel) | Idle").wait_for()  # before that, "Run All" is not heard
    page.get_by_role("menuitem", name="Run", exact=True).click()
    page.get_by_role("menuitem", name="Run All Cells", exact=True).click()
