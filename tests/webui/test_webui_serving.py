# SPDX-License-Identifier: MIT
"""`rig serve`: where it listens, what it refuses, and that it ends when told to."""

from __future__ import annotations

import contextlib
import os
import re
import signal
import socket
import subprocess
import sys
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest

from rig.core.errors import UsageError
from webui import serving

RIG = [sys.executable, "-m", "rig.cli.main", "serve"]


@contextlib.contextmanager
def running(*options: str) -> Iterator[tuple[subprocess.Popen[str], str, str]]:
    """The process, what it printed, and its address on the loopback."""
    process = subprocess.Popen(
        [*RIG, "--port", "0", *options],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )  # fmt: skip
    try:
        assert process.stdout is not None
        printed = ""
        for line in process.stdout:
            printed += line
            if line.startswith("Ctrl-C"):
                break
        port = re.search(r"http://[\d.]+:(\d+)/", printed)
        assert port, printed + process.stderr.read()  # type: ignore[union-attr]
        yield process, printed, f"http://127.0.0.1:{port.group(1)}"
    finally:
        process.kill()
        process.communicate()


def get(address: str, **headers: str) -> tuple[int, str, dict[str, str]]:
    request = urllib.request.Request(address, headers=headers)
    try:
        with urllib.request.urlopen(request, timeout=20) as answer:
            return answer.status, answer.read().decode(), dict(answer.headers)
    except urllib.error.HTTPError as error:
        with error:
            return error.code, error.read().decode(), dict(error.headers)


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT, signal.SIGHUP])
def test_it_answers_on_the_loopback_and_ends_on_a_signal(number: signal.Signals) -> None:
    with running() as (process, printed, address):
        status, page, headers = get(address + "/")
        assert (status, "No run was recorded yet" in page) == (200, True)
        assert "Server" not in headers  # no version to look up
        assert re.findall(r"http://([\d.]+):", printed) == ["127.0.0.1"]
        assert get(address + "/console")[0] == 404  # no debugger
        assert get(address + "/", Host="evil.example")[0] == 400
        process.send_signal(number)
        _, errors = process.communicate(timeout=20)
        assert (process.returncode, errors) == (0, "")
        with pytest.raises(urllib.error.URLError):
            get(address + "/")


def test_a_host_beyond_the_loopback_is_refused_and_says_what_it_would_expose() -> None:
    done = subprocess.run(
        [*RIG, "--host", "0.0.0.0", "--port", "0"], capture_output=True, text=True, timeout=60
    )
    assert done.returncode == 2
    assert done.stdout == ""
    for wanted in ("valve tags", "names of people", "Nothing is encrypted", "--expose-run-log"):
        assert wanted in done.stderr


def test_with_a_certificate_nobody_is_told_that_nothing_is_encrypted() -> None:
    for encrypted in (False, True):
        with pytest.raises(UsageError) as refused:
            serving.address_of("0.0.0.0", exposed=False, encrypted=encrypted)
        assert ("Nothing is encrypted" in str(refused.value)) is not encrypted
        assert "--expose-run-log" in str(refused.value)


def test_exposed_it_says_so_and_answers_to_its_own_names_only() -> None:
    with running("--host", "0.0.0.0", "--expose-run-log", "--name", "bench-phone") as found:
        _, printed, address = found
        assert "EXPOSED" in printed
        assert "names of people" in printed
        own = re.findall(r"http://([\d.]+):", printed)
        assert own == serving.own_addresses()
        for name in (*own, "bench-phone", socket.gethostname()):
            assert get(address + "/", Host=name)[0] == 200, name
        for name in ("0.0.0.0", "evil.example", "x.bench-phone"):
            assert get(address + "/", Host=name)[0] == 400, name


def test_a_taken_port_is_said_in_words() -> None:
    with socket.create_server(("127.0.0.1", 0)) as holder:
        port = holder.getsockname()[1]
        done = subprocess.run(
            [*RIG, "--port", str(port)], capture_output=True, text=True, timeout=60
        )
    assert done.returncode == 2
    assert f"Port {port}" in done.stderr
    assert "--port" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize("host", ["127.0.0.1", "127.8.9.1", "localhost"])
def test_the_loopback_needs_no_flag(host: str) -> None:
    assert serving.address_of(host, exposed=False).startswith("127.")


@pytest.mark.parametrize("host", ["0.0.0.0", "192.0.2.1", "255.255.255.255"])
def test_anything_else_does(host: str) -> None:
    with pytest.raises(UsageError, match="Remedy: leave --host away"):
        serving.address_of(host, exposed=False)
    assert serving.address_of(host, exposed=True) == host


@pytest.mark.parametrize("host", ["::1", "::", "not a host"])
def test_what_is_no_ipv4_address_is_refused(host: str) -> None:
    with pytest.raises(UsageError, match="no IPv4 address"):
        serving.address_of(host, exposed=True)


def test_own_addresses_are_those_of_the_interfaces() -> None:
    found = serving.own_addresses()
    assert found[0] == "127.0.0.1"
    # held against the kernel's own table of local addresses
    table = Path("/proc/net/fib_trie").read_text()
    local = set(re.findall(r"\|-- ([\d.]+)\n\s+/32 host LOCAL", table))
    assert set(found) <= local


def test_the_command_loads_the_page_only_when_it_is_used() -> None:
    asked = (
        "import sys, rig.cli.serve\n"
        "print([m for m in ('flask', 'webui', 'numpy', 'sqlalchemy') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", asked], capture_output=True, text=True, timeout=60)
    assert done.stdout.strip() == "[]"
