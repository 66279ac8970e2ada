"""What the ranking says of the shipped causes, and how it takes evidence of all sorts."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from benchd.core.causes.infer import Model, believe, posterior, rank
from benchd.core.causes.knowledge import Cause, Item, Knowledge, Outcome, Together
from benchd.core.visit import Mended, Observed
from benchd.visits.knowledge import load_knowledge, shipped_paths


@cache
def shipped() -> Model:
    return Model(load_knowledge(shipped_paths()[:1]))


def seen(**outcomes) -> list[Observed]:
    """Evidence in this order: item (with _ for -) = outcome."""
    return [Observed((0, at), item.replace("_", "-"), outcome) for at, (item, outcome) in enumerate(outcomes.items())]


def mended(repair, at=(1, 0)) -> Mended:
    known = shipped().knowledge.repairs[repair]
    return Mended(at, known.mends, known.touches, repair)


def probability(ranking, id) -> float:
    return next(one.probability for one in ranking.causes if one.id == id)


#: What a technician would call the ordinary picture of each cause (common practice, no source).
TYPICAL = {
    "battery-discharged": dict(added_load="left-on", runs_down="not", onset="sudden", charge="discharged"),
    "battery-sulphated": dict(
        onset="gradual", takes_charge="poorly", cranks="slowly", charge="charged", load="weak", crank="battery-sags"
    ),
    "battery-dead-cell": dict(holds_charge="overnight", cranks="clicks", charge="weak-cell"),
    "battery-leaking": dict(
        holds_charge="days", battery_case="wet", runs_down="slow", charge="charged", load="holds", draw="no-draw"
    ),
    "battery-undersized": dict(
        last_repair="battery", added_load="added", holds_charge="yes", takes_charge="yes", cranks="slowly", charge="charged", load="weak"
    ),
    "joint-loose": dict(terminals="loose", cranks="clicks", charge="charged", load="holds", drop="bad-joint"),
    "ground-bad": dict(grounds="bad", charge="charged", load="holds", drop="bad-ground"),
    "breaker-open": dict(charge="charged", load="holds", breaker="open"),
    "switch-bad": dict(cranks="nothing", breaker="closed", switch="bad"),
    "solenoid-joint": dict(cranks="clicks", terminals="good", charge="charged", crank="no-current", drop="bad-joint"),
    "plug-regulator": dict(regulator_plug="off", charge="charged", load="holds", stator="good", regulator="none"),
    "stator-open": dict(charge="charged", load="holds", stator="none", continuity="stator-open"),
    "stator-shorted": dict(onset="sudden", charge="charged", load="holds", stator="low", continuity="good"),
    "stator-grounded": dict(stator_leads="chafed", stator="grounded", continuity="stator-grounded"),
    "magnets-weak": dict(
        onset="gradual", run_machine="ordinary", stator_leads="good", charge="charged", load="holds", stator="low", continuity="good"
    ),
    "regulator-dead": dict(breaker="closed", regulator_plug="good", charge="charged", load="holds", stator="good", regulator="none"),
    "regulator-weak": dict(charge="charged", load="holds", stator="good", regulator="low-output"),
    "regulator-stuck-on": dict(electrolyte_level="low", charge="charged", load="holds", stator="good", regulator="over-ceiling"),
    "regulator-set-low": dict(charge="charged", load="holds", stator="good", regulator="set-low"),
    "regulator-set-high": dict(charge="charged", load="holds", stator="good", regulator="set-high"),
    "regulator-leaking-back": dict(
        runs_down="slow", holds_charge="yes", charge="charged", load="holds", stator="good", regulator="good", draw="draw-through-regulator"
    ),
    "key-off-draw": dict(runs_down="slow", holds_charge="yes", added_load="added", charge="charged", load="holds", draw="draw"),
    "engine-slow": dict(charge="charged", load="holds", stator="speed"),
    "starter-dragging": dict(cranks="slowly", charge="charged", load="holds", crank="starter-dragging"),
    "engine-out-of-tune": dict(
        hard_start="yes", runs_down="quick", cranks="normally", charge="charged", load="holds", crank="cranks", stator="good", regulator="good"
    ),
    "short-trips": dict(use="short", charge="charged", load="holds", draw="no-draw", stator="good", regulator="good"),
}  # fmt: skip


def test_every_cause_has_its_picture() -> None:
    assert set(TYPICAL) == set(shipped().causes)


@pytest.mark.parametrize("cause", TYPICAL)
def test_the_ordinary_picture_of_a_cause_puts_it_first(cause) -> None:
    ranking = rank(shipped(), seen(**TYPICAL[cause]))
    first, second = ranking.causes[:2]
    assert first.id == cause
    assert first.probability > 1.2 * second.probability
    assert ranking.conflict == ""
    outside = first.system in ("starting", "engine", "use")
    assert bool(ranking.elsewhere) == outside or first.probability < 0.5


def test_before_any_evidence_every_cause_stands_at_its_frequency() -> None:
    ranking = rank(shipped(), [])
    for one in ranking.causes:
        assert one.probability == pytest.approx(shipped().knowledge.causes[one.id].frequency, abs=1e-9)
        assert one.probability == one.prior
        assert one.reasons == ()
    assert ranking.nothing == pytest.approx(shipped().knowledge.nothing)
    assert sum(share for _, share in ranking.sets) <= 1


def test_a_cooked_battery_and_the_regulator_that_cooked_it() -> None:
    """The dead cell hides what the regulator does; a new battery lets it be seen (the whole trap of this trade)."""
    evidence = seen(electrolyte_level="low", battery_case="wet", charge="weak-cell", run_machine="no-charge")
    before = rank(shipped(), evidence)
    assert before.causes[0].id == "battery-dead-cell"
    assert probability(before, "regulator-stuck-on") > 5 * shipped().knowledge.causes["regulator-stuck-on"].frequency
    evidence += [mended("new-battery"), Observed((2, 0), "charge", "charged"), Observed((2, 1), "load", "holds")]
    evidence += [Observed((2, 2), "stator", "good"), Observed((2, 3), "regulator", "over-ceiling")]
    after = rank(shipped(), evidence)
    assert after.causes[0].id == "regulator-stuck-on"
    assert after.causes[0].probability > 0.9
    assert probability(after, "battery-dead-cell") < 0.05


def test_a_charged_battery_does_not_speak_against_what_ran_it_down() -> None:
    evidence = seen(charge="discharged", runs_down="quick")
    before = rank(shipped(), evidence)
    evidence += [mended("charge-battery"), Observed((2, 0), "charge", "charged"), Observed((2, 1), "load", "holds")]
    after = rank(shipped(), evidence)
    assert probability(after, "battery-discharged") < 0.05
    assert probability(after, "regulator-dead") > probability(before, "regulator-dead")
    assert after.nothing < 0.35, "a battery does not run down quickly by itself"


def test_an_answer_is_about_the_time_before_whenever_it_is_given() -> None:
    early = [*seen(runs_down="slow", charge="discharged"), mended("mend-draw")]
    late = [*seen(charge="discharged"), mended("mend-draw"), Observed((2, 0), "runs-down", "slow")]
    assert posterior(shipped(), early) == pytest.approx(posterior(shipped(), late))


def test_the_newest_counts_until_a_repair_and_both_beyond_it() -> None:
    twice = [Observed((1, 0), "terminals", "loose"), Observed((2, 0), "terminals", "good")]
    assert posterior(shipped(), twice) == pytest.approx(posterior(shipped(), seen(terminals="good")))
    assert posterior(shipped(), twice[::-1]) == pytest.approx(posterior(shipped(), twice))
    apart = rank(shipped(), [twice[0], mended("clean-terminals", (1, 5)), twice[1]])
    assert [one.outcome for one in apart.causes[-1].reasons if one.item == "terminals"] != []
    assert probability(apart, "joint-loose") < probability(rank(shipped(), twice), "joint-loose")


def test_what_the_knowledge_does_not_have_is_passed_over() -> None:
    strange = [Observed((0, 8), "aura", "dim"), Observed((0, 9), "load", "sings"), Mended((9, 9), ("gremlin",), ())]
    assert posterior(shipped(), [*seen(load="weak"), *strange]) == pytest.approx(
        posterior(shipped(), seen(load="weak"))
    )


def test_reasons_come_by_weight_and_say_what_was_seen() -> None:
    ranking = rank(shipped(), seen(cranks="clicks", terminals="loose", use="normal"))
    joint = next(one for one in ranking.causes if one.id == "joint-loose")
    weights = [abs(np.log(one.factor)) for one in joint.reasons]
    assert weights == sorted(weights, reverse=True)
    assert joint.reasons[0].text == "Battery terminals and cables: loose or broken"
    assert joint.reasons[0].factor > 5
    texts = [one.text for one in joint.reasons]
    assert "How does it crank? clicks only" in texts
    other = next(one for one in ranking.causes if one.id == "regulator-dead")
    assert next(one.factor for one in other.reasons if one.item == "terminals") < 1


def test_a_repair_is_a_reason_too() -> None:
    ranking = rank(shipped(), [*seen(grounds="bad"), mended("mend-ground")])
    ground = next(one for one in ranking.causes if one.id == "ground-bad")
    reason = next(one for one in ground.reasons if one.item == "mend-ground")
    assert (reason.outcome, reason.text) == ("done", "Repaired: Mend the ground")
    assert reason.factor < 0.1


def test_a_repair_in_words_works_as_one_of_the_list() -> None:
    free = Mended((1, 0), ("ground-bad",), ("wiring",))
    ranking = rank(shipped(), [*seen(grounds="bad"), free])
    assert probability(ranking, "ground-bad") < 0.05
    assert any(one.text == "Repaired: Bad ground" for c in ranking.causes for one in c.reasons)


def test_evidence_that_fits_no_two_causes_is_told_and_named() -> None:
    apart = seen(switch="bad", stator="none", draw="draw", terminals="loose", crank="starter-dragging", breaker="open")
    ranking = rank(shipped(), apart)
    assert "hardly fits together" in ranking.conflict
    named = [one.text for cause in ranking.causes for one in cause.reasons]
    assert any(text in ranking.conflict for text in named)
    assert rank(shipped(), apart[:2]).conflict == ""


def test_few_visits_as_the_knowledge_has_them_are_called_a_conflict() -> None:
    """100 drawn visits with half of everything seen: hardly any may be taken for a contradiction."""
    model, rng = shipped(), np.random.default_rng(7)
    conflicts = 0
    for _ in range(100):
        truth = rng.choice(len(model.hypotheses), p=model.prior)
        evidence = []
        for at, item in enumerate(model.knowledge.items.values()):
            likely = model.likelihood(item.id)[:, truth]
            if rng.random() < 0.5:
                drawn = rng.choice(len(likely), p=likely / likely.sum())
                evidence.append(Observed((0, at), item.id, item.outcomes[drawn].id))
        conflicts += bool(rank(model, evidence).conflict)
    assert conflicts <= 2


def test_what_cannot_be_still_gets_an_answer() -> None:
    sure = Item(
        "t", "test", "t", (Outcome("no", "no"), Outcome("yes", "yes")), (1.0, 0.0), {"a": (1e-9, 1.0)}, "estimate"
    )
    never = replace(sure, id="u", given={})
    causes = {id: Cause(id, id, "battery", 0.5, "estimate") for id in "ab"}
    knowledge = Knowledge(causes, {"t": sure, "u": never}, {})
    ranking = rank(knowledge, [Observed((0, 0), "t", "yes"), Observed((0, 1), "u", "yes")])
    assert ranking.causes[0].id == "a"
    assert all(np.isfinite(one.probability) for one in ranking.causes)
    assert all(np.isfinite(reason.factor) for one in ranking.causes for reason in one.reasons)
    assert "hardly fits together" in ranking.conflict


def test_causes_that_exclude_each_other_are_never_there_together() -> None:
    causes = {id: Cause(id, id, "battery", 0.3, "estimate") for id in "abcd"}
    model = Model(Knowledge(causes, {}, {}, (Together("a", "b", 0.0, "estimate"),), two=0.3))
    assert model.prior[model.hypotheses.index(("a", "b"))] == 0
    assert model.prior.sum() == pytest.approx(1)
    assert model.prior @ model.members == pytest.approx((1 - 0.02 + 0.3) / 4)
    everyone = tuple(Together(a, b, 0.0, "estimate") for a, b in ("ab", "ac", "ad", "bc", "bd", "cd"))
    with pytest.raises(ValueError, match="exclude one another"):
        Model(Knowledge(causes, {}, {}, everyone, two=0.3))


def test_one_cause_only_and_very_unequal_ones() -> None:
    one = Model(Knowledge({"a": Cause("a", "a", "battery", 0.5, "estimate")}, {}, {}, nothing=0.1))
    assert one.prior == pytest.approx([0.1, 0.9])
    pair = {"a": Cause("a", "a", "battery", 0.95, "estimate"), "b": Cause("b", "b", "battery", 0.02, "estimate")}
    unequal = Model(Knowledge(pair, {}, {}, nothing=0.0, two=0.5))
    assert unequal.prior.sum() == pytest.approx(1)
    assert unequal.prior[3] < 0.02


def test_weights_add_up_to_the_probability_of_what_was_seen() -> None:
    model = shipped()
    belief = believe(model, seen(cranks="clicks"))
    assert belief.weights.sum() == pytest.approx(model.likelihood("cranks")[2] @ model.prior)
    then = belief.outcomes("terminals")
    assert then.sum() == pytest.approx(1)
    assert belief.observed("terminals", "loose").weights.sum() == pytest.approx(belief.weights.sum() * then[2])


def test_the_ranking_as_json_is_plain() -> None:
    import json

    body = json.loads(json.dumps(rank(shipped(), seen(hard_start="yes", run_machine="cranks-long")).to_json()))
    assert body["causes"][0]["id"] == "engine-out-of-tune"
    assert body["elsewhere"].startswith("This points to the engine (Engine out of tune, needs long cranking, ")
