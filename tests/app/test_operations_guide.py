"""The operations page is carried out: certificates are made and used, messages are looked up, a backup is put back."""

from __future__ import annotations

import json
import os
import re
import shutil
import ssl
import subprocess
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from test_service_files import BENCHD, GUIDE, ROOT, SERVICE, settings

from benchd.cli import cli
from benchd.journal import FILE_NAME, LEAST_FREE_BYTES, Journal
from benchd.server.tokens import Scope
from benchd.site_keys import SiteFile

PAGE = (GUIDE / "operations.md").read_text()
RUNNING = " ".join(PAGE.split())  # without regard to where lines end


def block(name: str) -> str:
    """The shell lines that the page has under this name."""
    found = re.search(rf"^[ ]*```sh {name}\n(.*?)^[ ]*```", PAGE, re.MULTILINE | re.DOTALL)
    assert found is not None, name
    return found[1]


def shell(text: str, folder: Path, **environment: str) -> str:
    """Run shell lines as they stand, stop at the first that fails; what they print."""
    done = subprocess.run(
        ["sh", "-euc", text],
        cwd=folder,
        capture_output=True,
        text=True,
        timeout=100,
        check=False,
        env=os.environ | environment,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


# --- certificates -----------------------------------------------------------------------------------------------------


@pytest.mark.skipif(shutil.which("openssl") is None, reason="no openssl on this computer")
def test_certificates_made_as_the_page_says_are_trusted_under_their_names(tmp_path: Path) -> None:
    shell(block("certificates"), tmp_path)
    assert (tmp_path / "server-key.pem").stat().st_mode & 0o777 == 0o600
    for name in ("bench.tessel-lane.example", "localhost", "127.0.0.1"):
        shake_hands(tmp_path, name)
    with pytest.raises(ssl.SSLCertVerificationError):
        shake_hands(tmp_path, "bench.elsewhere.example")


def shake_hands(folder: Path, name: str) -> None:
    """A TLS handshake in memory, the client as strict as it can be."""
    serving = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    serving.load_cert_chain(folder / "server.pem", folder / "server-key.pem")
    calling = ssl.create_default_context(cafile=str(folder / "ca.pem"))
    calling.verify_flags |= ssl.VERIFY_X509_STRICT
    to_server, to_client = ssl.MemoryBIO(), ssl.MemoryBIO()
    server = serving.wrap_bio(to_server, to_client, server_side=True)
    client = calling.wrap_bio(to_client, to_server, server_hostname=name)
    waiting = [client, server]
    for _ in range(10):
        for side in list(waiting):
            try:
                side.do_handshake()
            except ssl.SSLWantReadError:
                continue
            waiting.remove(side)
        if not waiting:
            return
    raise AssertionError("the handshake came to no end")


# --- backup, restore, thinning ----------------------------------------------------------------------------------------


def commands(name: str, folder: Path, home: Path) -> str:
    """The block's commands, this benchd's, on another journal and another stick than the page's."""
    path = f"{BENCHD.parent}{os.pathsep}{os.environ['PATH']}"
    return shell(block(name).replace("/media/stick", str(folder)), folder, BENCHD_HOME=str(home), PATH=path)


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A home with a judged stator run in its journal."""
    home = tmp_path_factory.mktemp("kept") / "home"
    shell(f"{BENCHD} demo --only stator --speed 100 --headless", home.parent, BENCHD_HOME=str(home))
    return home


@pytest.fixture
def own(kept: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(kept, tmp_path / "home"))


def records(home: Path) -> list[list[dict[str, Any]]]:
    """All records of all runs."""
    with Journal(home / FILE_NAME) as journal:
        return [list(journal.read(run["run"])) for run in journal.runs()]


def outcome(home: Path) -> dict[str, Any]:
    done = CliRunner().invoke(cli, ["rejudge", "last", "--json"], env={"BENCHD_HOME": str(home)})
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def test_a_backup_is_put_back_on_a_computer_that_lost_everything(own: Path, tmp_path: Path) -> None:
    before, verdict = records(own), outcome(own)
    with Journal(own / FILE_NAME) as journal:
        identity = journal.daemon_id("Tessel Lane")
    stick = tmp_path / "stick"
    stick.mkdir()
    commands("backup", stick, own)
    assert len(list((own / "backups").glob("journal-*.sqlite"))) == 1
    commands("elsewhere", stick, own)
    shutil.rmtree(own)
    said = commands("restore", stick, own)
    assert "stator" in said  # the history
    assert records(own) == before
    assert outcome(own) == verdict
    with Journal(own / FILE_NAME) as journal:
        assert journal.daemon_id("Tessel Lane") == identity


def test_a_backup_is_put_back_over_a_journal_that_was_spoilt(own: Path, tmp_path: Path) -> None:
    before, stick = records(own), tmp_path / "stick"
    stick.mkdir()
    commands("elsewhere", stick, own)
    spoilt = b"no journal at all" * 1000
    (own / FILE_NAME).write_bytes(spoilt)
    commands("restore", stick, own)
    assert records(own) == before
    assert spoilt in [path.read_bytes() for path in own.rglob("*") if path.is_file()]  # moved aside, not deleted


def test_thinning_by_hand_leaves_the_verdict_as_it_is(own: Path, tmp_path: Path) -> None:
    verdict = outcome(own)
    commands("thin", tmp_path, own)
    assert len(records(own)[0]) > 300  # today's run is younger than 90 days
    days = block("thin")
    assert "--older-than 90" in days
    shell(
        days.replace("--older-than 90", "--older-than 0").replace("benchd ", f"{BENCHD} "),
        tmp_path,
        BENCHD_HOME=str(own),
    )
    kinds = [record["kind"] for record in records(own)[0]]
    assert "reading" not in kinds
    assert "thinned" in kinds
    assert outcome(own) == verdict
    commands("backup", tmp_path, own)  # which verifies


# --- what it names ----------------------------------------------------------------------------------------------------


def test_messages_in_the_table_are_said_by_the_program() -> None:
    source = "\n".join(path.read_text() for path in (ROOT / "benchd").rglob("*.py"))
    rows = re.findall(
        r"^\| ([^|]+) \| [^|]+ \| [^|]+ \|$", PAGE.partition("## When something is wrong")[2], re.MULTILINE
    )
    said = [text for row in rows[2:] for text in re.findall(r"`([^`]+)`", row) if "/" not in text]
    assert len(said) >= 8
    assert [text for text in said if text not in source] == []


def test_figures_of_the_page_are_the_programs() -> None:
    assert "with less than 64 MB" in RUNNING
    assert LEAST_FREE_BYTES == 64 * 1024 * 1024
    assert "(30 s without a sign of life)" in RUNNING
    assert settings(SERVICE / "benchd.service")["WatchdogSec"] == ["30"]


def test_scopes_are_those_that_there_are() -> None:
    table = PAGE.partition("| scope | may |")[2].partition("\n\n")[0]
    assert re.findall(r"^\| ([a-z]+) \|", table, re.MULTILINE) == [str(one) for one in Scope]


def test_what_the_page_installs_is_where_the_unit_looks() -> None:
    unit = (SERVICE / "benchd.service").read_text()
    for path in ("/opt/benchd", "/etc/benchd/site.toml"):
        assert path in PAGE
        assert path in unit
    for source in re.findall(r"LoadCredential=[^:]+:(\S+)", (SERVICE / "secrets.conf").read_text()):
        assert source.startswith("/etc/benchd/secrets/")
    assert "/opt/benchd/bin/benchd" in (SERVICE / "benchd-admin").read_text()
    assert "BENCHD_HOME=/var/lib/benchd" in (SERVICE / "benchd-admin").read_text()
    shell(f"sh -n {SERVICE / 'benchd-admin'}", ROOT)


def test_tables_named_on_the_page_exist() -> None:
    assert set(re.findall(r"`\[(\w+)\]`", PAGE)) <= set(SiteFile.model_fields)


def test_a_wrong_file_keeps_the_service_down(tmp_path: Path) -> None:
    """The daemon's exit code for it is the one after which systemd does not start it again."""
    site = tmp_path / "site.toml"
    site.write_text('[site]\nname = "x"\n[[bench]]\nfile = "not-there"\n')
    done = subprocess.run(
        [str(BENCHD), "serve", "--config", str(site)],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
        env=os.environ | {"BENCHD_HOME": str(tmp_path / "home")},
    )
    assert settings(SERVICE / "benchd.service")["RestartPreventExitStatus"] == [str(done.returncode)]
    assert "site.toml:4: key 'bench[0].file'" in done.stderr
