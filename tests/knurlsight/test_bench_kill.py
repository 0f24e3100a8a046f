"""A server killed outright in mid-work, started again with encryption: nothing lost, nothing doubled."""

from __future__ import annotations

import contextlib
import os
import signal
import ssl
import subprocess
import sys
from pathlib import Path

import httpx2
import pytest
from bench_doubles import free_port, wait_for

pytest.importorskip("cryptography", reason="pip install 'knurlsight[https]' for the encrypted bench")
FIXTURES = Path(__file__).parents[2] / "fixtures"
PORT = free_port()


@contextlib.contextmanager
def started(folder: Path, *options: str):
    """A bench as a process of its own."""
    command = [sys.executable, "-m", "knurlsight", "bench", "--store", str(folder), "--port", str(PORT), *options]
    with (folder / "stderr.txt").open("w") as out:
        process = subprocess.Popen(command, stderr=out, env={**os.environ, "OPENBLAS_NUM_THREADS": "1"})
    try:
        wait_for(lambda: "Ctrl-C" in (folder / "stderr.txt").read_text() or process.poll() is not None)
        assert process.poll() is None, (folder / "stderr.txt").read_text()
        yield process
    finally:
        if process.poll() is None:
            process.send_signal(signal.SIGINT)
        process.wait(20)


def send(client: httpx2.Client) -> dict[str, str]:
    photo = (FIXTURES / "straight_knob.jpg").read_bytes()
    answer = client.post(
        "/inspections",
        headers={"accept": "application/json"},
        data={"upload": "killed-upload-1"},
        files={"photo": ("a.jpg", photo, "image/jpeg")},
    )
    assert answer.status_code in (200, 202), answer.text
    return answer.json()


def processes_of(parent: int) -> list[str]:
    return Path(f"/proc/{parent}/task/{parent}/children").read_text().split()


def test_killed_in_mid_work_and_started_again(tmp_path):
    with started(tmp_path, "--jobs", "1") as process, httpx2.Client(base_url=f"http://localhost:{PORT}") as client:
        wait_for(lambda: answers(client))
        first = send(client)
        workers = processes_of(process.pid) if Path("/proc").is_dir() else []
        process.kill()
        process.wait(10)
        wait_for(lambda: not any(Path(f"/proc/{w}").is_dir() for w in workers))  # workers end with their server
    context = ssl.create_default_context()
    with started(tmp_path, "--jobs", "1", "--https"):
        context.load_verify_locations(tmp_path / "bench" / "certificate.pem")
        with httpx2.Client(base_url=f"https://localhost:{PORT}", verify=context, timeout=60) as client:
            wait_for(lambda: answers(client))
            assert send(client) == first
            with client.stream("GET", f"{first['path']}/events") as events:
                last = [line for line in events.iter_lines() if line.startswith("data:")][-1]
            assert '"done"' in last
            assert client.get("/").text.count('<li><a href="/inspections/') == 1
            assert "strict-transport-security" not in client.get("/").headers  # nobody would get past the warning
    assert len(list((tmp_path / "bench" / "work").iterdir())) == 1


def answers(client: httpx2.Client) -> bool:
    try:
        return client.get("/").status_code == 200
    except httpx2.TransportError:
        return False
