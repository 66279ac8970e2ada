"""`benchd serve --check` refuses what `benchd serve` would refuse, and says what it cannot look at from here."""

from __future__ import annotations

import logging
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from benchd.cli import cli, serving

SITE = """
[site]
name = "Tessel Lane"
[[bench]]
file = "bay-1"
[server]
listen = "{listen}"
{server}
[series]
url = "https://store.example:8086"
{series}
"""


def checked(folder: Path, **parts: str) -> tuple[int, str]:
    path = folder / "site.toml"
    path.write_text(SITE.format(**({"listen": "127.0.0.1:8477", "server": "", "series": ""} | parts)), encoding="utf-8")
    result = CliRunner().invoke(
        cli, ["serve", "--config", str(path), "--check"], env={"BENCHD_HOME": str(folder / "home")}
    )
    return result.exit_code, result.output + str(getattr(result.exception, "message", ""))


def test_a_good_site_is_fit(tmp_path: Path) -> None:
    code, said = checked(tmp_path)
    assert code == 0
    assert "fit to be served" in said


@pytest.mark.parametrize(
    ("parts", "told"),
    [
        ({"listen": "192.0.2.2:8477"}, "expected certificate and key with an address that other computers reach"),
        ({"server": 'certificate = "gone.pem"\nkey = "gone.key"'}, "gone.pem: is no file that can be read"),
        ({"series": 'token_file = "open-token"'}, "open-token"),
        ({"series": 'ca_file = "gone-ca.pem"'}, "gone-ca.pem: is no file"),
    ],
)
def test_what_would_not_start_is_not_fit(tmp_path: Path, parts: dict[str, str], told: str) -> None:
    token = tmp_path / "open-token"
    token.write_text("secret words")
    token.chmod(0o644)
    code, said = checked(tmp_path, **parts)
    assert code != 0
    assert told in said
    assert "fit to be served" not in said
    assert "secret words" not in said


def test_what_only_the_service_has_is_named_as_not_looked_at(tmp_path: Path) -> None:
    for series in (
        'token_file = "/run/credentials/benchd.service/series-token"',
        'token_env = "BENCHD_NOT_SET_HERE"',
    ):
        code, said = checked(tmp_path, series=series)
        assert code == 0, said
        assert "not to be looked at from here, only as the service" in said


def test_text_from_outside_forges_no_line_in_the_log_and_moves_no_cursor() -> None:
    form = serving._Harmless("%(levelname)s %(name)s: %(message)s")
    try:
        raise ValueError("from a meter: \x1b[2J\x07\u202e")
    except ValueError:
        error = sys.exc_info()
    record = logging.LogRecord(
        "benchd.bench", logging.ERROR, "", 1, "%s", ("bay-1\nWARNING benchd: forged\x1b[31m",), error
    )
    first, second, *rest = form.format(record).split("\n")
    assert first == "ERROR benchd.bench: bay-1 WARNING benchd: forged [31m"
    assert second.startswith("Traceback")
    assert all(line.isprintable() for line in rest)
    assert "from a meter" in rest[-1]
