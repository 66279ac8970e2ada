"""The causes engine against an independent exact solver, and against arithmetic by hand.

pyAgrum (a general-purpose library for Bayesian networks, from the package registry; LazyPropagation is exact) is given
the network as the model is described, not as it is computed: every cause a node of its own where they are few, at most
two and pairs that come together as observed nodes, every noisy-max row by row from the draws of its causes.
"""

import itertools
from functools import cache

import numpy as np
import pyagrum as gum
import pytest
from scipy import optimize

from benchd.core.causes.infer import Model, posterior, rank
from benchd.core.causes.knowledge import Cause, Item, Knowledge, Outcome, Repair, Together
from benchd.core.visit import Mended, Observed
from benchd.visits.knowledge import load_knowledge, shipped_paths

# --- building networks for the other solver -----------------------------------------------------------------------------


def node(net, name, states, parents, table) -> None:
    """A node with its table, whose axes are the parents in this order and then the node itself."""
    net.add(gum.LabelizedVariable(name, name, states))
    for parent in parents:
        net.addArc(parent, name)
    axes = [*parents, name]
    wanted = [axes.index(one) for one in reversed(net.cpt(name).names)]
    net.cpt(name)[:] = np.ascontiguousarray(np.transpose(np.asarray(table, float), wanted))


def last_of(rows):
    """The distribution of the last outcome of several draws, by going through all of them."""
    found = np.zeros(len(rows[0]))
    for draws in itertools.product(range(len(found)), repeat=len(rows)):
        found[max(draws)] += np.prod([row[draw] for row, draw in zip(rows, draws, strict=True)])
    return found


def drawn(item, present):
    """What an item shows when these causes are there: its background and their draws; the last counts."""
    return last_of([item.background, *(item.given[one] for one in present if one in item.given)])


def chain(net, item, whole, hold) -> str:
    """An item under one hypothesis node `whole` with the sets `hold`: draw after draw, each the last so far."""
    size = len(item.outcomes)
    before = f"{item.id}.0"
    node(net, before, size, [], item.background)
    for step, (cause, row) in enumerate(item.given.items(), 1):
        table = np.zeros((size, len(hold), size))
        for at, held in enumerate(hold):
            for so_far in range(size):
                if cause not in held:
                    table[so_far, at, so_far] = 1
                    continue
                for draw, probability in enumerate(row):
                    table[so_far, at, max(so_far, draw)] += probability
        node(net, f"{item.id}.{step}", size, [before, whole], table)
        before = f"{item.id}.{step}"
    return before


def asked(net, evidence):
    solver = gum.LazyPropagation(net)
    solver.setEvidence(evidence)
    solver.makeInference()
    return solver


# --- few causes: every cause a node, the prior solved for by scipy ---------------------------------------------------------


def small(seed, causes, items, outcomes, pairs=2) -> Knowledge:
    rng = np.random.default_rng(seed)
    ids = [f"c{one}" for one in range(causes)]
    share = rng.dirichlet(np.full(causes, 3.0))
    known = {}
    for at in range(items):
        size = int(rng.integers(2, outcomes + 1))
        given = {one: tuple(rng.dirichlet(np.ones(size))) for one in ids if rng.random() < 0.8}
        known[f"t{at}"] = Item(
            f"t{at}",
            "test",
            f"t{at}",
            tuple(Outcome(f"o{one}", "") for one in range(size)),
            tuple(rng.dirichlet(np.ones(size))),
            given,
            "estimate",
        )
    together = [
        Together(first, second, float(rng.choice([0.2, 3.0, 10.0])), "estimate")
        for first, second in rng.permutation(list(itertools.combinations(ids, 2)))[:pairs]
    ]
    frequency = share * 1.3
    return Knowledge(
        {one: Cause(one, one, "battery", float(f), "estimate") for one, f in zip(ids, frequency, strict=True)},
        known,
        {},
        tuple(together),
        nothing=0.05,
        two=0.25,
    )


def weights_of(knowledge):
    """Odds of each cause by itself, so that under 'one or two of them' all come up by their frequencies (scipy)."""
    ids = list(knowledge.causes)
    sets = [*itertools.combinations(ids, 1), *itertools.combinations(ids, 2)]
    times = {frozenset((one.first, one.second)): one.times for one in knowledge.together}
    held = np.array([[one in of for one in ids] for of in sets], float)
    base = np.array([times.get(frozenset(of), 1.0) for of in sets])
    frequency = np.array([one.frequency for one in knowledge.causes.values()])
    wanted = frequency / frequency.sum() * (1 + knowledge.two / (1 - knowledge.nothing))

    def gap(logs):
        share = base * np.exp(held @ logs)
        return held.T @ (share / share.sum()) - wanted

    found = optimize.root(gap, np.log(wanted), tol=1e-14)
    assert np.abs(gap(found.x)).max() < 1e-10
    return dict(zip(ids, np.exp(found.x), strict=True)), float((base * np.exp(held @ found.x)).sum())


def network_of(knowledge):
    """Independent causes, each item below all of them, and one node that is seen: 'at most two, as described'."""
    net = gum.BayesNet()
    odds, total = weights_of(knowledge)
    ids = list(knowledge.causes)
    for one in ids:
        node(net, one, 2, [], [1 / (1 + odds[one]), odds[one] / (1 + odds[one])])
    times = {frozenset((one.first, one.second)): one.times for one in knowledge.together}
    allowed = np.zeros((2,) * len(ids) + (2,))
    for there in itertools.product((0, 1), repeat=len(ids)):
        present = [one for one, is_there in zip(ids, there, strict=True) if is_there]
        if not present:
            seen = knowledge.nothing / (1 - knowledge.nothing) * total
        else:
            seen = times.get(frozenset(present), 1.0) if len(present) <= 2 else 0.0
        allowed[there] = [0, seen]
    allowed /= allowed.max()
    allowed[..., 0] = 1 - allowed[..., 1]
    node(net, "allowed", 2, ids, allowed)
    for item in knowledge.items.values():
        table = np.zeros((2,) * len(ids) + (len(item.outcomes),))
        for there in itertools.product((0, 1), repeat=len(ids)):
            table[there] = drawn(item, [one for one, is_there in zip(ids, there, strict=True) if is_there])
        node(net, item.id, len(item.outcomes), ids, table)
    return net


@pytest.mark.parametrize("seed", range(6))
def test_random_networks_as_the_other_solver_has_them(seed) -> None:
    knowledge = small(seed, causes=3 + seed % 3, items=4, outcomes=4)
    net, model = network_of(knowledge), Model(knowledge)
    frequency = np.array([one.frequency for one in knowledge.causes.values()])
    frequency *= (1 - knowledge.nothing + knowledge.two) / frequency.sum()
    before = asked(net, {"allowed": 1})
    assert [before.posterior(one)[1] for one in model.causes] == pytest.approx(frequency, abs=1e-9)
    rng = np.random.default_rng(seed + 100)
    for _ in range(6):
        seen = {id: int(rng.integers(len(one.outcomes))) for id, one in knowledge.items.items() if rng.random() < 0.7}
        there = asked(net, {"allowed": 1, **seen})
        ranking = rank(model, [Observed((0, at), id, f"o{one}") for at, (id, one) in enumerate(seen.items())])
        for cause in ranking.causes:
            assert cause.probability == pytest.approx(there.posterior(cause.id)[1], abs=1e-9)
        for item in set(knowledge.items) - set(seen):
            told = model.likelihood(item) @ posterior(model, [Observed((0, 0), id, f"o{o}") for id, o in seen.items()])
            assert told == pytest.approx(there.posterior(item).toarray(), abs=1e-9)


def test_reasons_are_the_odds_with_and_without_in_the_other_solver() -> None:
    knowledge = small(42, causes=4, items=4, outcomes=3)
    net = network_of(knowledge)
    seen = {id: len(one.outcomes) - 1 for id, one in knowledge.items.items()}

    def odds(cause, evidence):
        there = asked(net, {"allowed": 1, **evidence}).posterior(cause)
        return there[1] / there[0]

    ranking = rank(knowledge, [Observed((0, at), id, f"o{one}") for at, (id, one) in enumerate(seen.items())])
    told = {(cause.id, reason.item): reason.factor for cause in ranking.causes for reason in cause.reasons}
    assert len(told) > 8
    for (cause, item), factor in told.items():
        without = {id: one for id, one in seen.items() if id != item}
        assert factor == pytest.approx(odds(cause, seen) / odds(cause, without), rel=1e-8)


# --- the shipped causes -----------------------------------------------------------------------------------------------------


@cache
def shipped() -> Knowledge:
    return load_knowledge(shipped_paths()[:1])


def test_shipped_causes_each_a_node_of_its_own() -> None:
    """26 causes, counted one after the other; pairs as observed nodes; three tests."""
    knowledge, model = shipped(), Model(shipped())
    ids = list(model.causes)
    place = {held: at for at, held in enumerate(model.hypotheses)}
    times = {frozenset((one.first, one.second)): one.times for one in knowledge.together}
    # What the weights are is read off the single ones; that they are right is told by the frequencies below.
    first, second = ids[1], ids[2]
    scale = model.prior[place[(first,)]] * model.prior[place[(second,)]] / model.prior[place[(first, second)]]
    net = gum.BayesNet()
    for one in ids:
        odds = model.prior[place[(one,)]] / scale
        node(net, one, 2, [], [1 / (1 + odds), odds / (1 + odds)])
    node(net, "n0", 4, [], [1, 0, 0, 0])
    for at, one in enumerate(ids, 1):
        table = np.zeros((4, 2, 4))
        for so_far, there in itertools.product(range(4), range(2)):
            table[so_far, there, min(so_far + there, 3)] = 1
        node(net, f"n{at}", 4, [f"n{at - 1}", one], table)
    weights = np.array([knowledge.nothing / scale, 1, 1, 0])
    weights /= weights.max()
    node(net, "few", 2, [f"n{len(ids)}"], np.stack([1 - weights, weights], axis=1))
    evidence = {"few": 1}
    for at, (pair, often) in enumerate(times.items()):
        most = max(often, 1.0)
        table = np.full((2, 2, 2), 0.0)
        table[..., 1] = 1 / most
        table[1, 1, 1] = often / most
        table[..., 0] = 1 - table[..., 1]
        node(net, f"pair{at}", 2, sorted(pair), table)
        evidence[f"pair{at}"] = 1
    for id in ("charge", "load", "drop"):
        item = knowledge.items[id]
        before = f"{id}.0"
        node(net, before, len(item.outcomes), [], item.background)
        for cause, row in item.given.items():
            table = [
                [last_of([np.eye(len(row))[so_far], *([row] if there else [])]) for there in range(2)]
                for so_far in range(len(row))
            ]
            node(net, f"{id}.{cause}", len(row), [before, cause], table)
            before = f"{id}.{cause}"
        node(net, id, len(item.outcomes), [before], np.eye(len(item.outcomes)))

    before = asked(net, evidence)
    frequency = [one.frequency for one in knowledge.causes.values()]
    assert [before.posterior(one)[1] for one in ids] == pytest.approx(frequency, abs=1e-9)
    for seen in ({"charge": 1}, {"charge": 2, "load": 1}, {"charge": 0, "load": 0, "drop": 2}):
        there = asked(net, {**evidence, **seen})
        told = {
            one.id: one.probability
            for one in rank(
                model, [Observed((0, 0), id, knowledge.items[id].outcomes[o].id) for id, o in seen.items()]
            ).causes
        }
        assert [told[one] for one in ids] == pytest.approx([there.posterior(one)[1] for one in ids], abs=1e-9)


@cache
def whole_network():
    """All shipped items below one node for the hypotheses, and again below the state after a new battery."""
    knowledge, model = shipped(), Model(shipped())
    net = gum.BayesNet()
    hold = model.hypotheses
    node(net, "start", len(hold), [], model.prior)
    repair = knowledge.repairs["new-battery"]
    step = np.zeros((len(hold), len(hold)))
    for at, held in enumerate(hold):
        left = tuple(one for one in held if one not in repair.mends)
        step[at, hold.index(left)] += repair.right
        step[at, at] += 1 - repair.right
    node(net, "after", len(hold), ["start"], step)
    ends = {item.id: chain(net, item, "start", hold) for item in knowledge.items.values()}
    for id in ("charge", "load", "regulator"):
        item = knowledge.items[id]
        again = Item(f"{id}-again", item.kind, item.text, item.outcomes, item.background, item.given, item.origin)
        ends[again.id] = chain(net, again, "after", hold)
    return net, ends


@pytest.mark.parametrize("seed", range(8))
def test_shipped_items_as_the_other_solver_has_them(seed) -> None:
    """A sample of all that can be seen, before and after a new battery; half of the answers likely, half any."""
    knowledge, model = shipped(), Model(shipped())
    net, ends = whole_network()
    rng = np.random.default_rng(seed)
    truth = int(rng.choice(len(model.hypotheses), p=model.prior))
    seen, evidence = {}, []
    for at, item in enumerate(knowledge.items.values()):
        if rng.random() < 0.5:
            continue
        likely = model.likelihood(item.id)[:, truth]
        outcome = int(
            rng.choice(len(likely), p=likely / likely.sum()) if rng.random() < 0.5 else rng.integers(len(likely))
        )
        seen[ends[item.id]] = outcome
        evidence.append(Observed((0, at), item.id, item.outcomes[outcome].id))
    if seed % 2:
        repair = knowledge.repairs["new-battery"]
        evidence.append(Mended((1, 0), repair.mends, repair.touches, repair.id))
        for at, id in enumerate(("charge", "load", "regulator")):
            outcome = int(rng.integers(len(knowledge.items[id].outcomes)))
            seen[ends[f"{id}-again"]] = outcome
            evidence.append(Observed((2, at), id, knowledge.items[id].outcomes[outcome].id))
    there = asked(net, seen).posterior("after" if seed % 2 else "start").toarray()
    assert posterior(model, evidence) == pytest.approx(there, abs=1e-10)


# --- by hand ------------------------------------------------------------------------------------------------------------------


def cause(id, frequency) -> Cause:
    return Cause(id, id, "battery", frequency, "estimate")


def yes_no(id, false_alarm, **right) -> Item:
    """A test that says yes without a cause by `false_alarm`, and with a cause by its `right` (background included)."""
    given = {one: ((1 - p) / (1 - false_alarm), 1 - (1 - p) / (1 - false_alarm)) for one, p in right.items()}
    return Item(
        id, "test", id, (Outcome("no", "no"), Outcome("yes", "yes")), (1 - false_alarm, false_alarm), given, "estimate"
    )


def of(causes, *items, **more) -> Knowledge:
    return Knowledge({one.id: one for one in causes}, {one.id: one for one in items}, {}, **more)


def probability(ranking, id) -> float:
    return next(one.probability for one in ranking.causes if one.id == id)


def test_the_textbook_screening_example() -> None:
    """1 in 100 has it, the test finds 80 of 100 and alarms for 96 of 1000 that do not: 0.8*1 / (0.8*1 + 0.096*99) =
    0.8 / 10.304 = 7.76 % (the much-printed screening example of Eddy 1982 in its usual numbers: memory)."""
    knowledge = of([cause("it", 0.01)], yes_no("test", 0.096, it=0.8), nothing=0.99, two=0.0)
    ranking = rank(knowledge, [Observed((0, 0), "test", "yes")])
    assert probability(ranking, "it") == pytest.approx(0.0776397515, abs=1e-9)
    assert ranking.nothing == pytest.approx(1 - 0.0776397515, abs=1e-9)
    # Its factor is the likelihood ratio: 0.8 / 0.096.
    assert ranking.causes[0].reasons[0].factor == pytest.approx(0.8 / 0.096)


def test_two_tests_of_one_cause_multiply_their_odds() -> None:
    """Prior odds 1:4; ratios 0.9/0.1 = 9 and (1-0.6)/(1-0.2) = 0.5: odds 9 * 0.5 / 4 = 1.125, so 1.125 / 2.125."""
    knowledge = of([cause("it", 0.2)], yes_no("a", 0.1, it=0.9), yes_no("b", 0.2, it=0.6), nothing=0.8, two=0.0)
    ranking = rank(knowledge, [Observed((0, 0), "a", "yes"), Observed((0, 1), "b", "no")])
    assert probability(ranking, "it") == pytest.approx(1.125 / 2.125)
    assert [one.factor for one in ranking.causes[0].reasons] == pytest.approx([9.0, 0.5])


def test_two_causes_and_the_pair_of_them() -> None:
    """Nothing 0.2, x alone 0.3, y alone 0.3, both 0.2 (frequencies 0.5 and 0.5). The test alarms by 0.1, with x by 0.8,
    with y by 0.4; both: 1 - 0.9 * (0.2/0.9) * (0.6/0.9) = 1 - 0.12/0.9 = 0.8666667.
    P(yes) = 0.2*0.1 + 0.3*0.8 + 0.3*0.4 + 0.2*0.8666667 = 0.02 + 0.24 + 0.12 + 0.1733333 = 0.5533333.
    P(x) = (0.24 + 0.1733333) / 0.5533333 = 0.746988; P(y) = (0.12 + 0.1733333) / 0.5533333 = 0.530120."""
    knowledge = of([cause("x", 0.5), cause("y", 0.5)], yes_no("t", 0.1, x=0.8, y=0.4), nothing=0.2, two=0.2)
    ranking = rank(knowledge, [Observed((0, 0), "t", "yes")])
    assert probability(ranking, "x") == pytest.approx(0.7469879518)
    assert probability(ranking, "y") == pytest.approx(0.5301204819)
    assert dict(ranking.sets)["x", "y"] == pytest.approx(0.3132530120)
    assert dict(ranking.sets)[()] == pytest.approx(0.0361445783)


def test_one_cause_explains_the_other_away() -> None:
    """As above, then x is seen by a test that never errs (1 and 0): y falls from 0.530120 to
    0.2*0.8666667 / (0.3*0.8 + 0.2*0.8666667) = 0.1733333 / 0.4133333 = 0.419355."""
    knowledge = of(
        [cause("x", 0.5), cause("y", 0.5)],
        yes_no("t", 0.1, x=0.8, y=0.4),
        yes_no("sure", 0.0, x=1.0),
        nothing=0.2,
        two=0.2,
    )
    evidence = [Observed((0, 0), "t", "yes"), Observed((0, 1), "sure", "yes")]
    ranking = rank(knowledge, evidence)
    assert probability(ranking, "x") == pytest.approx(1.0)
    assert probability(ranking, "y") == pytest.approx(0.1733333333 / 0.4133333333)


def test_a_repair_by_hand() -> None:
    """Nothing 0.5, it 0.5. Alarm: 0.8 against 0.2. Yes: 0.4 against 0.1, so it is there by 0.8. Repaired, right 9 times in
    10: there by 0.08. The test again says yes: 0.08*0.8 = 0.064 against 0.92*0.2 = 0.184: 0.064 / 0.248 = 0.258065."""
    knowledge = Knowledge(
        {"it": cause("it", 0.5)},
        {"t": yes_no("t", 0.2, it=0.8)},
        {"mend": Repair("mend", "Mend it", ("it",), ("wiring",), 10, 5, "estimate", right=0.9)},
        nothing=0.5,
        two=0.0,
    )
    evidence = [Observed((1, 0), "t", "yes"), Mended((1, 1), ("it",), ("wiring",), "mend")]
    assert probability(rank(knowledge, evidence), "it") == pytest.approx(0.08)
    again = rank(knowledge, [*evidence, Observed((2, 0), "t", "yes")])
    assert probability(again, "it") == pytest.approx(0.064 / 0.248)
    # The repair's own factor: the odds with it, 0.064/0.184, over those without, where yes and yes count in one go:
    # of one item the newest counts, but these two are apart only by the repair: 0.5*0.8*0.8 / (0.5*0.2*0.2) = 16.
    repair = next(one for one in again.causes[0].reasons if one.item == "mend")
    assert repair.factor == pytest.approx((0.064 / 0.184) / 16)


def test_unanswered_is_not_no() -> None:
    """No answer leaves 0.5; 'no' would make it 0.5*0.2 / (0.5*0.2 + 0.5*0.8) = 0.2."""
    knowledge = of([cause("it", 0.5)], yes_no("t", 0.2, it=0.8), nothing=0.5, two=0.0)
    assert probability(rank(knowledge, []), "it") == pytest.approx(0.5)
    assert probability(rank(knowledge, [Observed((0, 0), "t", "no")]), "it") == pytest.approx(0.2)
