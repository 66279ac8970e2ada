"""`benchd serve`: the daemon."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from pathlib import Path


@click.command("serve", short_help="Serve many benches, always on: the daemon.")
@click.option("--config", "site_file", metavar="FILE", help="Site file: benches, address, store, broker, schedule.")
@click.option("--demo", is_flag=True, help="Virtual benches instead of a site file: no hardware, nothing to set up.")
@click.option(
    "--fault",
    "faults",
    multiple=True,
    metavar="NAME[=STRENGTH]",
    help="With --demo: build this fault into the machines; may be given again. List them: benchd demo --faults.",
)
@click.option("--benches", type=click.IntRange(1, 8), help="With --demo: so many benches, 2 without it.")
@click.option(
    "--rigs",
    type=click.IntRange(1, 8),
    help="With --demo: so many motor-driven benches for lots of regulators instead.",
)
@click.option(
    "--plant",
    "planted",
    multiple=True,
    metavar="SERIAL=FAULT",
    help="With --rigs: what is wrong with a unit, as in VR20-000003=set-point-low; may be given again.",
)
@click.option(
    "--drift",
    "drifts",
    multiple=True,
    metavar="RIG=PPM",
    help="With --rigs: how far a rig's voltmeter drifts in an hour, in parts per million.",
)
@click.option("--listen", metavar="HOST:PORT", help="Another address than the site file's; port 0 takes any free one.")
@click.option(
    "--speed", default=1.0, show_default=True, type=click.FloatRange(1, 100), help="With --demo: times as fast."
)
@click.option("--check", is_flag=True, help="Check the site file and everything it names, then end.")
def command(
    site_file: str | None,
    demo: bool,
    faults: tuple[str, ...],
    benches: int | None,
    rigs: int | None,
    planted: tuple[str, ...],
    drifts: tuple[str, ...],
    listen: str | None,
    speed: float,
    check: bool,
) -> None:
    """Keep the instruments of many benches open, take runs from `benchd run`, the HTTP API or a schedule, forward
    everything to a store and a broker. FILE is a path or the name of a site file that comes with benchd.

    It listens on this computer alone unless the site file gives an address, a certificate and somebody has a token
    (benchd token make). SIGTERM and Ctrl-C end it within 5 s: runs under way are closed as void, and kept.

    With --demo every bench has one machine that lasts: what runs and repairs leave behind stays with it. A repair that
    is written into an order is carried out on it.

    \b
    Examples:
      benchd serve --demo
      benchd serve --demo --fault regulator-stuck-on --fault battery-dead-cell --speed 20
      benchd serve --demo --rigs 2 --plant VR20-000003=set-point-low --speed 10
      benchd serve --config tessel-lane.toml
      benchd serve --config tessel-lane.toml --check
    """
    from benchd.cli.common import say
    from benchd.errors import UsageError

    if (site_file is None) != demo:
        raise UsageError("say either --config FILE or --demo; copy an example from configs/sites to begin with")
    if speed != 1 and not demo:
        raise UsageError("--speed is for --demo: real instruments live by the real clock")
    if (faults or benches) and not demo:
        raise UsageError("--fault and --benches are for --demo: real machines bring their own")
    if (rigs or planted or drifts) and not demo:
        raise UsageError("--rigs, --plant and --drift are for --demo: real benches stand in a site file")
    if (planted or drifts) and not rigs:
        raise UsageError("--plant and --drift are for virtual rigs: say how many with --rigs N")
    if rigs and (faults or benches):
        raise UsageError("--rigs serves motor-driven benches alone: leave --fault and --benches out")
    if rigs:
        from benchd.cli.serving import run_serving
        from benchd.cli.serving_rigs import parse_drift, parse_planted, serve_rigs

        wrong = dict(map(parse_planted, planted))
        drifting = dict(parse_drift(one, rigs) for one in drifts)
        run_serving(serve_rigs(listen, speed, say, rigs, wrong, drifting), 0)
        return
    if demo:
        from benchd.cli.demo import parse_fault
        from benchd.cli.serving import run_serving
        from benchd.cli.serving_demo import BENCHES, serve_demo

        built_in = [parse_fault(one) for one in faults]
        run_serving(serve_demo(listen, speed, say, [one for one in built_in if one], benches or BENCHES), 0)
        return
    from benchd.cli.serving import check as look_through
    from benchd.cli.serving import run_serving, serve
    from benchd.site import load_site

    assert site_file is not None
    site = load_site(_found(site_file))
    if check:
        look_through(site, say)
        say(f"{site.source}: site {site.name!r}, benches {', '.join(site.benches)}: fit to be served")
        return
    run_serving(serve(site, listen=listen, say=say), sum(len(one.instruments) for one in site.benches.values()))


def _found(name: str) -> Path:
    from benchd import config

    return config.find_file(name, "site")
