"""History: found by whatever is known of a run, taken along as a file. Health: what needs somebody, in words."""

from __future__ import annotations

import csv
import socket
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from browsing import Shop, Watch, instruments, until
from playwright.sync_api import Download, Page, expect

from benchd.journal import Journal

Open = Callable[..., Page]
SAMPLES = 20
TODAY = datetime.now(UTC).date()
#: (serial, bench, machine, procedure, verdict, day, order?), the oldest first; before them stand FILLING more.
KEPT = (
    ("T18-0042", "bay 1", "Hollin T18 garden tractor", "regulator", "fail", "2026-03-01", True),
    ("T18-0042", "bay 2", "Hollin T18 garden tractor", "regulator", "pass", "2026-03-02", True),
    ("Q9-7", "bay 2", "Hollin T18 garden tractor", "stator", "undecided", "2026-03-02", False),
    ("=1+1", "bay 1", "Orrin S7 mower", "stator", None, "2026-03-05", False),
)
FILLING = 50


def fill(journal: Journal) -> str:
    """Keep the runs of above; the order's number."""
    order, _ = journal.open_order({"machine": "hollin-t18", "unit": "T18-0042"})
    old = [
        (f"OLD-{number:03}", "bay 1", KEPT[0][2], "stator", "pass", "2026-01-15", False) for number in range(FILLING)
    ]
    for unit, bench, machine, procedure, verdict, day, of_order in (*old, *KEPT):
        more = {"work_order": order} if of_order else {}
        started = f"{day}T09:00:00+00:00"
        run = journal.open_run(
            {"procedure": procedure, "bench": bench, "machine": machine, "unit": unit, "started": started, **more}
        )
        for number in range(SAMPLES if day > "2026-02" else 0):
            run.append(
                {"kind": "sample", "t_ns": number * 500_000_000, "values": {"battery_volts": [14.2, 0.01, [], 0.1]}}
            )
        if verdict is not None:
            run.append({"kind": "verdict", "procedure": procedure, "verdict": verdict, "suspect": "none", "reasons": ["So."], "measured": {}, "duration_s": 10.0})  # fmt: skip
        run.close({"status": "judged" if verdict else "aborted", "reason": "over", "counts": {}})
    return order


@pytest.fixture(scope="module")
def planted(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """(home, order)."""
    home = tmp_path_factory.mktemp("home")
    with Journal(home / "journal.sqlite") as journal:
        return home, fill(journal)


@pytest.fixture(scope="module")
def order(planted: tuple[Path, str]) -> str:
    return planted[1]


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory, planted: tuple[Path, str]) -> Iterator[Shop]:
    """Two bays; a voltmeter was due long ago, a clamp is due soon, and the store does not answer."""
    with socket.create_server(("127.0.0.1", 0)) as nobody:
        port = nobody.getsockname()[1]
    with instruments(tmp_path_factory.mktemp("hall"), 2) as (site, _):
        for number in (1, 2):
            path = site.with_name(f"bench-{number:02}.toml")
            text = path.read_text().replace(f"load {number:02}", f"bay {number}")
            if number == 1:
                for name, due in (("volts", "2024-05-31"), ("clamp", str(TODAY + timedelta(days=9)))):
                    text = text.replace(f"[instruments.{name}]\n", f"[instruments.{name}]\ncalibration_due = {due}\n")
            path.write_text(text)
        site.write_text(
            site.read_text().replace('"load"', '"Tessel Lane"') + f'\n[series]\nurl = "http://127.0.0.1:{port}"\n'
        )
        found = Shop(planted[0], site=site)
        try:
            found.wait_until_up()
            yield found
        finally:
            found.end()


# --- history ------------------------------------------------------------------------------------------------------------


def serials(page: Page) -> list[str]:
    return page.locator("table.runs td[data-label=Serial]").all_inner_texts()


def shows(page: Page, wanted: list[str], what: str = "") -> None:
    until(lambda: serials(page) == wanted, 5, lambda: f"{what}: {serials(page)}")


def rows_of(found: Download) -> list[dict[str, str]]:
    with Path(found.path()).open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def test_a_run_is_found_by_what_is_known_of_it(
    open_page: Open, shop: Shop, order: str, axe: Callable[[Page], list[str]]
) -> None:
    """By a scan, by each thing alone, by several; what was asked stands in the address, so that it can be sent."""
    page = open_page("/history", "look")
    expect(page.locator("table.runs tbody tr")).to_have_count(50)
    expect(page.get_by_label("Serial number, order, machine or bench")).to_be_focused()
    page.keyboard.type("T18-0042\n")  # as a scanner does it
    shows(page, ["T18-0042"] * 2)
    assert page.url.endswith("?text=T18-0042")
    page.keyboard.type("Q9-7\n")  # the next scan takes its place
    shows(page, ["Q9-7"])
    page.get_by_role("button", name="Clear the search").click()
    page.get_by_text("Search by one thing alone").click()
    both, newest = ["T18-0042"] * 2, ["=1+1", "Q9-7"]
    asked: tuple[tuple[dict[str, str], list[str]], ...] = (
        ({"Serial number": "T18-0042"}, both),
        ({"Work order": order}, both),
        ({"Bench": "bay 2"}, ["Q9-7", "T18-0042"]),
        ({"Verdict": "undecided"}, ["Q9-7"]),
        ({"Verdict": "ended without one"}, ["=1+1"]),
        ({"Verdict": "fail", "Machine": "Hollin T18 garden tractor"}, ["T18-0042"]),
        ({"From": "2026-03-02"}, [*newest, "T18-0042"]),
        ({"From": "2026-03-01", "To, that day too": "2026-03-01"}, ["T18-0042"]),
        ({"Serial number": "T18-0042", "Verdict": "void"}, []),
    )  # fmt: skip
    for values, wanted in asked:
        for label, value in values.items():
            field = page.get_by_label(label, exact=True)
            field.select_option(label=value) if label in ("Bench", "Verdict", "Machine") else field.fill(value)
        page.get_by_role("button", name="Search", exact=True).click()
        shows(page, wanted, str(values))
        if len(values) > 1:
            page.reload()
            shows(page, wanted, f"{values}, loaded again")
        page.get_by_role("button", name="Clear the search").click()
        expect(page.locator("table.runs tbody tr")).to_have_count(50)
    assert axe(page) == []
    page.get_by_role("button", name="Older").click()
    shows(page, [f"OLD-{number:03}" for number in reversed(range(len(KEPT)))])
    page.go_back()
    expect(page.locator("table.runs tbody tr")).to_have_count(50)


def test_days_that_cannot_be_are_told_beside_the_field(open_page: Open, shop: Shop, watch: Watch) -> None:
    page = open_page("/history", "look", "phone", "light")
    page.get_by_text("Search by one thing alone").click()
    page.get_by_label("From").fill("2026-03-02")
    last = page.get_by_label("To, that day too")
    last.fill("2026-03-01")
    page.get_by_role("button", name="Search", exact=True).click()
    expect(page.locator(".fields > .field", has=last).locator(".wrong")).to_have_text(
        "this day is before the one it begins with."
    )
    expect(last).to_be_focused()
    expect(last).to_have_value("2026-03-01")
    assert page.url.endswith("/history")
    last.fill("2026-03-02")
    page.get_by_role("button", name="Search", exact=True).click()
    shows(page, ["Q9-7", "T18-0042"])
    expect(page.locator(".fields > .field", has=last).locator(".wrong")).to_be_hidden()
    watch.allow("status of 422")
    page.goto("/history?verdict=odd")
    expect(page.locator("main [role=status]").first).to_contain_text("verdict")


def test_runs_are_taken_along_and_laid_side_by_side(open_page: Open, shop: Shop) -> None:
    page = open_page("/history?from=2026-03-01", "look")
    shows(page, ["=1+1", "Q9-7", "T18-0042", "T18-0042"])
    with page.expect_download() as found:
        page.get_by_role("button", name="Save the list (CSV)").click()
    assert found.value.suggested_filename == "runs.csv"
    rows = rows_of(found.value)
    assert [one["unit"] for one in rows] == ["'=1+1", "Q9-7", "T18-0042", "T18-0042"], "no spreadsheet works it out"
    assert [one["verdict"] for one in rows] == ["", "undecided", "pass", "fail"]
    with page.expect_download() as found:
        page.locator("table.runs tbody tr").nth(2).get_by_role("button", name="Save the samples").click()
    run = rows[2]["run"]
    assert found.value.suggested_filename == f"{run}.csv"
    samples = rows_of(found.value)
    assert len(samples) == SAMPLES
    assert {one["battery_volts"] for one in samples} == {"14.20"}
    boxes = page.locator("table.runs").get_by_role("checkbox")
    for place in (2, 3):
        boxes.nth(place).check()
    boxes.nth(0).click()
    expect(boxes.nth(0)).not_to_be_checked()
    expect(page.locator("table.runs")).to_contain_text("Two are chosen already.")
    page.get_by_role("link", name="Show side by side").click()
    page.wait_for_url(f"**/run/{run}?beside={rows[3]['run']}")
    expect(page.get_by_role("region", name="Both runs").locator(".badge")).to_have_text(["Pass", "Fail"])


# --- health -------------------------------------------------------------------------------------------------------------


def test_health_says_what_needs_somebody(open_page: Open, shop: Shop, axe: Callable[[Page], list[str]]) -> None:
    page = open_page("/health", "look", "tablet")
    calls = page.locator(".calls .attention")
    expect(calls.filter(has_text="bay 1, volts: its calibration was due 2024-05-31.")).to_have_count(1)
    due = page.locator("section.plate", has=page.get_by_role("heading", name="Calibration")).locator("li")
    expect(due.first).to_contain_text("Overdue by")
    expect(due.nth(1)).to_contain_text("Due soon, in 9 days. bay 1, clamp")
    for bench in ("bay 1", "bay 2"):
        told = page.locator(f"section[data-bench='{bench}']")
        expect(told.locator("tbody [data-label=State]")).to_have_text(["Talking"] * 4)
        expect(told).to_contain_text("Shows battery volts 13.1")
    store = page.locator("section[data-forwarder]")
    expect(store).to_contain_text("127.0.0.1")
    rows = page.locator("section[data-forwarder] dd")
    expect(rows.first).to_have_text("Waiting to try again")
    behind: Any = rows.nth(1)
    until(lambda: int(behind.inner_text().split()[0].replace("nothing", "0")) > FILLING, 10, behind.inner_text)
    expect(store).to_contain_text("Last trouble")
    expect(page.locator("main")).to_contain_text("B free")
    assert axe(page) == []


def test_only_an_administrator_backs_up(open_page: Open, shop: Shop) -> None:
    expect(open_page("/health", "operate").get_by_role("button", name="Back the journal up now")).to_have_count(0)
    page = open_page("/health", "administer")
    button = page.get_by_role("button", name="Back the journal up now")
    button.focus()
    page.keyboard.press("Enter")
    expect(page.get_by_text("in the folder backups beside the journal.")).to_be_visible()
    expect(button).to_be_focused()
    assert len(list((shop.home / "backups").glob("*.sqlite"))) == 1


def test_health_says_that_the_daemon_is_gone(open_page: Open, shop: Shop, watch: Watch) -> None:
    watch.allow("Failed to load resource", "failed:", "ERR_CONNECTION_REFUSED")
    page = open_page("/health", "look")
    expect(page.locator("section[data-bench='bay 2']")).to_be_visible()
    shop.end()
    expect(page.locator("#link")).to_contain_text("No link to the daemon: what is shown is old.")
    expect(page.locator("section[data-bench='bay 2']")).to_be_visible()
