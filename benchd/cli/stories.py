"""Three machines of the demo: what is wrong with each, and what its operator says and an eye sees of it.

In words of the causes file (configs/causes/common.toml); whatever is not named is unremarkable. What a fault makes
people say and see is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

ORDINARY: Mapping[str, str] = {
    "takes-charge": "yes", "holds-charge": "yes", "runs-down": "not", "onset": "unsure", "cranks": "normally",
    "hard-start": "no", "added-load": "no", "last-repair": "nothing", "use": "normal", "frozen": "no",
    "battery-case": "sound", "terminals": "good", "electrolyte-level": "right", "stator-leads": "good",
    "regulator-plug": "good", "regulator-case": "sound", "grounds": "good", "breaker": "closed", "switch": "good",
    "run-machine": "ordinary",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Story:
    """`faults` are the virtual bench's; `truth` is an outcome of the causes file by question or look."""

    complaint: str
    faults: tuple[str, ...]
    truth: Mapping[str, str]

    def says(self, item: str) -> str | None:
        """What the operator answers, or what is seen; None for what this story does not know of."""
        return self.truth.get(item, ORDINARY.get(item))


STORIES: Mapping[str, Story] = {
    "joint": Story(
        "Sometimes it cranks slowly, sometimes it only clicks.",
        ("joint-loose",),
        {
            "runs-down": "quick", "onset": "sudden", "cranks": "slowly", "terminals": "loose",
            "run-machine": "cranks-slowly",
        },
    ),
    "cell": Story(
        "Flat every morning, though we charge it.",
        ("battery-dead-cell",),
        {
            "takes-charge": "poorly", "holds-charge": "overnight", "runs-down": "slow", "onset": "sudden",
            "cranks": "slowly", "electrolyte-level": "one-low", "run-machine": "cranks-slowly",
        },
    ),
    "stuck-on": Story(
        "The third battery in two years, and it smells.",
        ("regulator-stuck-on", "battery-dead-cell"),
        {
            "takes-charge": "poorly", "holds-charge": "overnight", "runs-down": "quick", "cranks": "slowly",
            "last-repair": "battery", "battery-case": "wet", "electrolyte-level": "low", "run-machine": "no-charge",
        },
    ),
}  # fmt: skip
