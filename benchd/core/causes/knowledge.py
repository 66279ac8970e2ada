"""What is known of causes: how often each occurs, what each makes likely, what a check costs. Data, read elsewhere.

The model is a two-layer network. Each cause is there or not, independently, with its own frequency; at most two are
there at once (and a few pairs come together oftener than by chance). Every question, look and test ("item") has
outcomes in order, the unremarkable one first. Each cause that is there, and the item's own background, draw an outcome
by their own distribution; what is seen is the last of them in the order (noisy-max). A cause without a row for an item
draws the first, so it says nothing.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

SYSTEMS = ("battery", "wiring", "stator", "regulator", "starting", "engine", "use")
KINDS = ("question", "look", "test")


@dataclass(frozen=True, slots=True)
class Cause:
    """`frequency` is the probability that it is there in a visit with such a complaint, alone or with another. (Taken in
    proportion to those of the others, so that all together fit `nothing` and `two`.)"""

    id: str
    title: str
    system: str
    frequency: float
    origin: str
    advice: str = ""  # what is usually done about it
    caution: str = ""


@dataclass(frozen=True, slots=True)
class Outcome:
    """`from_run`: which verdicts of a run mean it, as 'verdict', 'verdict/suspect' or 'verdict/suspect/finding'."""

    id: str
    text: str
    means: str = ""  # a few words: what it points to
    from_run: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Item:
    """One question to the operator, one look at the machine, or one test.

    `background` and every row of `given` are distributions over `outcomes`, in their order. `run` names the procedure
    whose verdict answers it ('' = by hand). `needs`: items that must have been done before it; `needs_outcome`: item
    -> outcomes, one of which it must have shown; `never_after`: item -> outcomes that lock it. `right`: how often it
    tells the truth, as people say it (the rows hold what counts).
    """

    id: str
    kind: str
    text: str
    outcomes: tuple[Outcome, ...]
    background: tuple[float, ...]
    given: Mapping[str, tuple[float, ...]]
    origin: str
    minutes: float = 0.0
    cost: float = 0.0
    run: str = ""
    how: str = ""
    caution: str = ""
    needs: tuple[str, ...] = ()
    needs_outcome: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    never_after: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    right: float | None = None
    tools: str = ""

    def index(self, outcome: str) -> int:
        """Where an outcome stands; KeyError names what there is."""
        for at, one in enumerate(self.outcomes):
            if one.id == outcome:
                return at
        raise KeyError(f"{self.id} has no outcome {outcome!r}; there are {', '.join(one.id for one in self.outcomes)}")


@dataclass(frozen=True, slots=True)
class Repair:
    """What can be done. `right`: how often it cures what it mends. `needs` and `never_after` as of an Item: what must
    have been looked at before it may be advised, and what forbids it (a frozen battery is never charged)."""

    id: str
    title: str
    mends: tuple[str, ...]
    touches: tuple[str, ...]
    minutes: float
    cost: float
    origin: str
    right: float = 0.97
    caution: str = ""
    needs: tuple[str, ...] = ()
    never_after: Mapping[str, tuple[str, ...]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Together:
    """Two causes that come together `times` as often as chance would have it: one brings the other about."""

    first: str
    second: str
    times: float
    origin: str


@dataclass(frozen=True, slots=True)
class Knowledge:
    """All of it. `nothing` is the probability, in a visit with a complaint, that nothing is wrong with the machine;
    `two` that two causes are there at once (a flat battery and what ran it down are two); `sources` the files it was
    read from, last wins."""

    causes: Mapping[str, Cause]
    items: Mapping[str, Item]
    repairs: Mapping[str, Repair]
    together: tuple[Together, ...] = ()
    nothing: float = 0.02
    two: float = 0.12
    prove_minutes: float = 12.0  # the regulator run after a repair
    sources: tuple[str, ...] = ()
    learned: str = ""  # 'from 34 closed orders, prior weight 50', where `benchd causes learn` wrote the frequencies
