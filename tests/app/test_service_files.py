"""What ships beside the program: example sites, the service unit, device names, and the guide. Whatever they name is there."""

from __future__ import annotations

import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any, get_args

import pytest
from pydantic import BaseModel

from benchd import site_keys
from benchd.cli import COMMANDS
from benchd.config_keys import BenchFile, complaints
from benchd.core.procedures import PROCEDURES
from benchd.core.samples import CHANNELS
from benchd.site import load_site

ROOT = Path(__file__).parent.parent.parent
SERVICE = ROOT / "configs/service"
GUIDE = ROOT / "configs/guide"
SITES = sorted((ROOT / "configs/sites").glob("*.toml"))
FULL = ROOT / "configs/sites/tessel-lane.toml"
PAGES = [GUIDE / "wiring.md", GUIDE / "operations.md"]
BENCHD = Path(sys.executable).with_name("benchd")


# --- example sites ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("path", SITES, ids=lambda path: path.stem)
def test_an_example_site_loads(path: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("BENCHD_HOME", str(tmp_path))
    site = load_site(path)
    assert list(site.benches) == ["bay-1", "bay-2"]
    assert site.warnings == ()


def test_the_full_example_has_all_there_is(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("BENCHD_HOME", str(tmp_path))
    site = load_site(FULL)
    assert site.series is not None
    assert site.series.token is not None
    assert site.mqtt is not None
    assert site.mqtt.tls
    assert site.server.certificate is not None
    assert site.retention.raw_days == 90
    assert len(site.schedule) == 1


def tables(model: type[BaseModel], name: str = "") -> Iterator[tuple[str, str]]:
    """(table, key) of every plain key of a file."""
    for key, field in model.model_fields.items():
        inner = next(_models(field.annotation), None)
        if inner is None:
            yield name, key
        else:
            yield from tables(inner, key)


def _models(annotation: Any) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for one in get_args(annotation):
        yield from _models(one)


@pytest.mark.parametrize(("table", "key"), list(tables(site_keys.SiteFile)))
def test_every_key_is_in_the_full_example_with_a_comment(table: str, key: str) -> None:
    """The comment stands behind the key or above it; two of a kind share the first one's."""
    found = section(FULL.read_text(), table)
    place = next((at for at, line in enumerate(found) if re.match(rf"(# )?{key} = ", line)), None)
    assert place is not None, f"[{table}] {key} is not in {FULL.name}"
    assert "#" in found[place].lstrip("# ") or found[place - 1].startswith("#") or (table, key) in UNCOMMENTED


#: Keys that say it themselves.
UNCOMMENTED = {
    ("bench", "file"),
    ("series", "url"),
    ("series", "org"),
    ("series", "bucket"),
    ("mqtt", "host"),
    ("mqtt", "tls"),
    ("mqtt", "ca_file"),
    ("mqtt", "user"),
    ("mqtt", "password_file"),
    ("schedule", "unit"),
}


def section(text: str, table: str) -> list[str]:
    """The lines of the first table of this name."""
    lines = text.splitlines()
    start = next(at for at, line in enumerate(lines) if line in (f"[{table}]", f"[[{table}]]"))
    end = next((at for at in range(start + 1, len(lines)) if lines[at].startswith("[")), len(lines))
    return lines[start:end]


# --- the service unit -------------------------------------------------------------------------------------------------

needs_systemd = pytest.mark.skipif(
    shutil.which("systemd-analyze") is None, reason="no systemd-analyze on this computer"
)


def unit(tmp_path: Path, name: str = "benchd.service") -> Path:
    """The unit with a program that is there; the one it names is where operations.md puts it."""
    path = tmp_path / name
    text = (SERVICE / name).read_text()
    assert re.search(r"^ExecStart=\S+/bin/benchd serve --config \S+$", text, re.MULTILINE)
    path.write_text(re.sub(r"^ExecStart=\S+", f"ExecStart={BENCHD}", text, flags=re.MULTILINE))
    return path


def analyze(*words: str, folder: Path) -> subprocess.CompletedProcess[str]:
    environment = os.environ | {"XDG_RUNTIME_DIR": str(folder), "SYSTEMD_COLORS": "0", "LC_ALL": "C.UTF-8"}
    return subprocess.run(
        ["systemd-analyze", *words], capture_output=True, text=True, timeout=60, check=False, env=environment
    )


@needs_systemd
@pytest.mark.parametrize("with_secrets", [False, True])
def test_systemd_takes_the_unit(tmp_path: Path, with_secrets: bool) -> None:
    path = unit(tmp_path)
    if with_secrets:
        folder = tmp_path / "benchd.service.d"
        folder.mkdir()
        shutil.copy(SERVICE / "secrets.conf", folder)
    done = analyze("verify", "--man=no", str(path), folder=tmp_path)
    assert (done.returncode, done.stdout + done.stderr) == (0, "")


@needs_systemd
def test_systemd_takes_the_unit_of_a_user(tmp_path: Path) -> None:
    done = analyze("--user", "verify", "--man=no", str(unit(tmp_path, "benchd-user.service")), folder=tmp_path)
    assert (done.returncode, done.stdout + done.stderr) == (0, "")


@needs_systemd
def test_a_mistake_in_the_unit_would_be_seen(tmp_path: Path) -> None:
    path = unit(tmp_path)
    path.write_text(path.read_text().replace("ProtectClock=", "ProtectClocks="))
    done = analyze("verify", "--man=no", str(path), folder=tmp_path)
    assert "ProtectClocks" in done.stderr


@needs_systemd
def test_the_sandbox_is_as_strict_as_serial_ports_allow(tmp_path: Path) -> None:
    """systemd's own measure, 0 (locked up) to 10 (does as it likes). What is left open is the network, the serial
    ports with their group, and what nobody here can do without."""
    done = analyze("security", "--offline=true", "--no-pager", "--threshold=20", str(unit(tmp_path)), folder=tmp_path)
    assert done.returncode == 0, done.stdout
    opened = {line.split()[1].split("=")[0] for line in done.stdout.splitlines() if line.startswith("✗")}
    assert opened <= {
        "RootDirectory",
        "SupplementaryGroups",
        "PrivateDevices",
        "PrivateMounts",
        "RestrictAddressFamilies",
        "PrivateNetwork",
        "PrivateUsers",
        "DeviceAllow",
        "IPAddressDeny",
    }


def settings(path: Path) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for line in path.read_text().splitlines():
        key, equals, value = line.partition("=")
        if equals and not key.startswith("#"):
            found.setdefault(key, []).append(value)
    return found


def test_the_unit_says_what_the_daemon_needs() -> None:
    unit = settings(SERVICE / "benchd.service")
    assert unit["Type"] == ["notify"]
    assert int(unit["WatchdogSec"][0]) >= 10
    assert int(unit["TimeoutStopSec"][0]) > 5  # what it needs at most to end
    assert unit["SupplementaryGroups"] == ["dialout"]
    assert unit["User"] == ["benchd"] != ["root"]
    assert "BENCHD_HOME=%S/benchd" in unit["Environment"]
    assert unit["StateDirectory"] == ["benchd"]
    assert unit["RestartPreventExitStatus"] == ["2"]
    # AF_UNIX is for telling systemd that it is up.
    assert set(unit["RestrictAddressFamilies"][0].split()) == {"AF_UNIX", "AF_INET", "AF_INET6"}
    assert unit["DeviceAllow"] == ["char-ttyUSB rw", "char-ttyACM rw"]


def test_secrets_of_the_unit_are_those_of_the_example() -> None:
    handed = {one.partition(":")[0] for one in settings(SERVICE / "secrets.conf")["LoadCredential"]}
    wanted = set(re.findall(r'"/run/credentials/benchd\.service/([^"]+)"', FULL.read_text()))
    assert handed == wanted == {"server-key", "series-token", "mqtt-password"}


@pytest.mark.skipif(shutil.which("systemd-sysusers") is None, reason="no systemd-sysusers on this computer")
def test_systemd_would_make_the_user(tmp_path: Path) -> None:
    (tmp_path / "etc").mkdir()
    (tmp_path / "etc/group").write_text("root:x:0:\ndialout:x:20:\n")
    (tmp_path / "etc/passwd").write_text("root:x:0:0:root:/root:/bin/sh\n")
    command = ["systemd-sysusers", f"--root={tmp_path}", "--dry-run", str(SERVICE / "benchd.sysusers.conf")]
    done = subprocess.run(command, capture_output=True, text=True, timeout=30, check=False)
    assert done.returncode == 0, done.stderr
    assert "Creating user 'benchd' (Bench daemon)" in done.stdout + done.stderr


# --- what the sandbox forbids, the daemon does without ---------------------------------------------------------------

NO_WRITE_AND_EXECUTE = """
import ctypes, os, sys
if ctypes.CDLL(None).prctl(65, 1, 0, 0, 0):  # PR_SET_MDWE, PR_MDWE_REFUSE_EXEC_GAIN: what MemoryDenyWriteExecute= is for
    sys.exit(77)
os.execv(sys.argv[1], sys.argv[1:])
"""


@pytest.mark.skipif(sys.platform != "linux", reason="memory is guarded this way on Linux only")
def test_a_run_needs_no_memory_that_is_written_and_executed(tmp_path: Path) -> None:
    words = [sys.executable, "-c", NO_WRITE_AND_EXECUTE, str(BENCHD), *A_RUN]
    done = subprocess.run(words, capture_output=True, text=True, timeout=100, check=False, env=home(tmp_path))
    if done.returncode == 77:
        pytest.skip("this kernel cannot forbid it (before 6.3)")
    assert done.returncode == 0, done.stderr[-2000:]


#: The demo's stator run: opens ports, reads, judges, keeps; real sockets, threads and a journal.
A_RUN = ("demo", "--only", "stator", "--speed", "100", "--headless")


def home(tmp_path: Path) -> dict[str, str]:
    return os.environ | {"BENCHD_HOME": str(tmp_path / "home")}


def calls(group: str) -> set[str]:
    """The system calls of a group of systemd's."""
    done = subprocess.run(["systemd-analyze", "syscall-filter", group], capture_output=True, text=True, check=True)
    found: set[str] = set()
    for word in (line.strip() for line in done.stdout.splitlines()[1:]):
        if word.startswith("@"):
            found |= calls(word)
        elif word and not word.startswith("#"):
            found.add(word)
    return found


needs_strace = pytest.mark.skipif(shutil.which("strace") is None, reason="no strace on this computer")


def traced(tmp_path: Path) -> tuple[Path, list[str]]:
    """What calls go to, and the words before a command whose calls are looked at. Two that the unit forbids are
    refused here too: SQLite gives files to their owner when root runs it, numpy's BLAS asks for memory that is near."""
    trace = tmp_path / "trace"
    return trace, ["strace", "-f", "-qq", "-o", str(trace), "-e", "inject=mbind,fchown:error=EPERM"]


def forbidden(trace: Path) -> set[str]:
    allowed = calls("@system-service") - calls("@privileged") - calls("@resources")
    lines = trace.read_text(errors="replace").splitlines()
    used = {call for line in lines for call in re.findall(r"^\d+ +(\w+)\(", line)}
    assert {"openat", "socket"} <= used
    return used - allowed


@needs_systemd
@needs_strace
def test_a_run_needs_no_system_call_that_the_unit_forbids(tmp_path: Path) -> None:
    trace, before = traced(tmp_path)
    words = [*before, str(BENCHD), *A_RUN]
    done = subprocess.run(words, capture_output=True, text=True, timeout=110, check=False, env=home(tmp_path))
    if "ptrace" in done.stderr:
        pytest.skip("this computer does not let strace look")
    assert done.returncode == 0, done.stderr[-2000:]
    assert forbidden(trace) <= {"mbind", "fchown"}


@needs_systemd
@needs_strace
def test_the_daemon_needs_no_system_call_that_the_unit_forbids(tmp_path: Path) -> None:
    """From its start over a question to its end; told READY and STOPPING as systemd would be, by a socket of ours."""
    trace, before = traced(tmp_path)
    told = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    told.bind(str(tmp_path / "notify"))
    told.settimeout(60)
    environment = home(tmp_path) | {"NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": "2000000"}
    words = [*before, str(BENCHD), "serve", "--demo", "--listen", "127.0.0.1:0"]
    with (
        told,
        subprocess.Popen(words, stderr=subprocess.PIPE, text=True, env=environment, start_new_session=True) as up,
    ):
        try:
            heard = told.recv(4096).decode()
            while "READY=1" not in heard or "WATCHDOG=1" not in heard:
                heard += "\n" + told.recv(4096).decode()
            asked = subprocess.run(
                [str(BENCHD), "status"], capture_output=True, text=True, timeout=30, check=False, env=home(tmp_path)
            )
        finally:
            os.killpg(up.pid, signal.SIGTERM)
            _, said = up.communicate(timeout=30)
        while "STOPPING=1" not in heard:
            heard += "\n" + told.recv(4096).decode()
    assert asked.returncode == 0, asked.stderr
    assert "stopped" in said
    assert forbidden(trace) <= {"mbind", "fchown"}


# --- names of devices -------------------------------------------------------------------------------------------------

RULES = SERVICE / "70-benchd.rules"


@pytest.mark.skipif(shutil.which("udevadm") is None, reason="no udevadm on this computer")
def test_udev_takes_the_rules() -> None:
    done = subprocess.run(
        ["udevadm", "verify", "--resolve-names=never", str(RULES)], capture_output=True, text=True, check=False
    )
    if "Unknown command" in done.stderr:
        pytest.skip("udevadm has no verify before systemd 254")
    assert done.returncode == 0, done.stdout + done.stderr


def test_the_rules_are_of_the_form_that_udev_reads() -> None:
    """KEY{attribute} operator "value", with commas between (udev(7)): matches with == and !=, the others assign."""
    one = re.compile(r'(ACTION|SUBSYSTEM|ENV\{\w+\}|SYMLINK|GROUP|MODE|GOTO|LABEL)(==|!=|\+=|=)"[^"]*"')
    for line in RULES.read_text().splitlines():
        if not line or line.startswith("#"):
            continue
        for part in line.split(", "):
            found = one.fullmatch(part)
            assert found is not None, line
            assert (found[1] in ("ACTION", "SUBSYSTEM")) <= (found[2] in ("==", "!=")), line
            assert (found[1] == "SYMLINK") <= (found[2] == "+="), line


def test_rules_come_after_what_they_read_and_before_who_they_keep_out() -> None:
    """60-serial.rules sets ID_SERIAL_SHORT and ID_PATH; modem probing reads its rules from 77 on (both from memory)."""
    assert 60 < int(RULES.name[:2]) < 77


# --- the guide --------------------------------------------------------------------------------------------------------


def blocks(page: Path, language: str) -> list[str]:
    return re.findall(rf"^```{language}[^\n]*\n(.*?)^```", page.read_text(), re.MULTILINE | re.DOTALL)


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.stem)
def test_every_command_in_the_guide_exists(page: Path) -> None:
    text = page.read_text()
    named = set(re.findall(r"(?<![\w/.-])(?:\S*/bin/)?benchd(?:-admin)? ([a-z]+)(?=[ `\n])", "\n".join(code(text))))
    assert named
    assert named <= set(COMMANDS), named - set(COMMANDS)


def code(text: str) -> list[str]:
    """Everything that is written as code."""
    fenced = re.findall(r"^```[^\n]*\n(.*?)^```", text, re.MULTILINE | re.DOTALL)
    return fenced + re.findall(r"`([^`\n]+)`", text)


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.stem)
def test_toml_in_the_guide_has_keys_that_exist(page: Path) -> None:
    """Pieces of files: what is there must be right, what is not there is not asked for."""
    for block in blocks(page, "toml"):
        data = tomllib.loads(block)
        of_site = isinstance(data.get("bench"), list) or data.keys() & (
            site_keys.SiteFile.model_fields.keys() - {"bench"}
        )
        model: type[BaseModel] = site_keys.SiteFile if of_site else BenchFile
        wrong = [(where, said) for where, said in complaints(model, data) if len(where) > 1]
        assert wrong == [], block


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.stem)
def test_files_that_the_guide_names_are_there(page: Path) -> None:
    text = page.read_text()
    named = set(re.findall(r"configs/[\w./-]*\w", text)) | {
        f"configs/guide/{one}" for one in re.findall(r"\]\((\w+\.\w+)\)", text)
    }
    assert named
    assert [one for one in sorted(named) if not (ROOT / one).exists()] == []


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.stem)
def test_keys_named_in_the_guide_exist(page: Path) -> None:
    """Words like `lost_after_s` in running text are keys of files or channels."""
    known = {key for model in (site_keys.SiteFile, BenchFile) for _, key in tables(model)} | set(CHANNELS)
    known |= {"magnet_poles"}
    named = set(re.findall(r"(?<!`)`([a-z]+(?:_[a-z0-9]+)+)`(?!`)", page.read_text()))
    assert named <= known, named - known


def test_wiring_names_every_channel_and_what_a_run_needs() -> None:
    text = (GUIDE / "wiring.md").read_text()
    assert set(CHANNELS) <= set(re.findall(r"`(\w+)`", text))
    sentence = " ".join(next(one for one in text.split("\n\n") if one.startswith("A stator run needs")).split())
    for name, procedure in PROCEDURES.items():
        part = next(one for one in sentence.split(";") if f"{name} run" in one)
        needed = list(procedure.channels_needed)
        named = re.findall(r"`(\w+)`", part)
        assert named == needed or (name == "unit" and named[: len(needed)] == needed)  # its file may ask for more
