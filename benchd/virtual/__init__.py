"""A machine, its battery and its meters, simulated; its instruments speak bytes on real ports. The judge never sees it."""

from benchd.virtual.bench import VirtualBench
from benchd.virtual.offline import simulate
from benchd.virtual.scenario import FAULTS, Fault, Scenario, draw

__all__ = ["FAULTS", "Fault", "Scenario", "VirtualBench", "draw", "simulate"]
