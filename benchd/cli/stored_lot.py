"""A lot that several daemons tested, reported from the store that they forward to. See forward/read_back.py."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from benchd.lots.door import LotDoor


def report_of(door: LotDoor, lot: str, site_file: str) -> dict[str, Any]:
    """The report of a lot, its units read from the store of a site file. What the lot is (limits, customer, plan) comes from the door.
    ConfigError, StoreError."""
    from benchd import config
    from benchd.errors import ConfigError, StoreError
    from benchd.forward.read_back import units_from_store
    from benchd.journal import Journal
    from benchd.lots.reports import of_units
    from benchd.site import load_site

    path = config.find_file(site_file, "site")
    site = load_site(path)
    if site.series is None:
        raise ConfigError(f"{path}: no [series] table: it names no time-series store to read units from")
    body = door.lot(lot)
    spec = config.load_spec_text(str(body["spec_text"]), f"lot {lot}")
    assert spec.part is not None
    units = units_from_store(site.series, str(body["lot"]), spec.part.ids)
    if not len(units):
        raise StoreError(f"{site.series.url}: the store holds no tested unit of lot {body['lot']}")
    with Journal() as journal:
        return of_units(journal, body, units, site.name)


def paper_of(data: dict[str, Any], form: str) -> bytes:
    """The paper of such a report."""
    from benchd import registry

    paper = registry.paper("lot")
    made = paper.pdf(data) if form == "pdf" else paper.html(data).encode()
    return bytes(made)
