"""Counting from closed, proven orders: by hand, and against scipy's Beta and Dirichlet distributions."""

import numpy as np
import pytest
from scipy import stats

from benchd.core.causes.infer import Model, rank
from benchd.core.causes.knowledge import Cause, Item, Knowledge, Outcome, Repair
from benchd.core.causes.learn import Lesson, applied, draw, learn, summary, was
from benchd.core.visit import Mended, Observed


def known(background=(1.0, 0.0, 0.0)) -> Knowledge:
    """Three causes; a test that tells a from b; one repair for each, and one that mends a and b."""
    causes = {id: Cause(id, id, "battery", f, "estimate") for id, f in (("a", 0.5), ("b", 0.3), ("c", 0.3))}
    outcomes = tuple(Outcome(one, one) for one in ("good", "poor", "bad"))
    given = {"a": (0.2, 0.3, 0.5), "b": (0.2, 0.7, 0.1)}
    test = Item("t", "test", "t", outcomes, background, given, "estimate")
    repairs = {
        id: Repair(id, id, mends, ("battery",), 10, 1, "estimate")
        for id, mends in (("for-a", ("a",)), ("for-b", ("b",)), ("for-c", ("c",)), ("for-ab", ("a", "b")))
    }
    return Knowledge(causes, {"t": test}, repairs, nothing=0.1, two=0.2)


def order(number, repair, *seen) -> Lesson:
    mends = known().repairs[repair].mends if repair else ()
    evidence = [Observed((1, at), "t", one) for at, one in enumerate(seen)]
    return Lesson(number, [*evidence, *([Mended((2, 0), mends, ("battery",), repair)] if repair else [])])


def after(learned, id) -> float:
    return next(one.after for one in learned.causes if one.id == id)


def count(learned, id) -> float:
    return next(one.count for one in learned.causes if one.id == id)


def test_frequencies_are_the_means_of_beta_distributions() -> None:
    """20 orders, 12 of a, 5 of b, 3 of c, over a prior of 50 visits: (50*0.5 + 12) / 70 and so on. By hand."""
    orders = [order(f"{n}", "for-a") for n in range(12)] + [order(f"{n}", "for-b") for n in range(12, 17)]
    orders += [order(f"{n}", "for-c") for n in range(17, 20)]
    learned = learn(known(), orders, weight=50)
    assert learned.orders == 20
    assert after(learned, "a") == pytest.approx((25 + 12) / 70)
    assert after(learned, "b") == pytest.approx((15 + 5) / 70)
    assert after(learned, "c") == pytest.approx((15 + 3) / 70)
    for id, f, n in (("a", 0.5, 12), ("b", 0.3, 5), ("c", 0.3, 3)):
        assert after(learned, id) == pytest.approx(stats.beta(50 * f + n, 50 * (1 - f) + 20 - n).mean())
    none, two = stats.dirichlet([50 * 0.1, 50 * 0.2, 50 * 0.7 + 20]).mean()[:2]
    assert learned.nothing.after == pytest.approx(none)
    assert learned.two.after == pytest.approx(two)


def test_the_frequencies_still_fit_nothing_and_two() -> None:
    orders = [order("1", "for-a"), order("2", "for-b"), order("3", None)]
    learned = learn(known(), orders, weight=10)
    total = sum(one.after for one in learned.causes)
    assert total == pytest.approx(1 - learned.nothing.after + learned.two.after)
    model = Model(applied(known(), learned))
    assert model.prior @ model.members == pytest.approx([one.after for one in learned.causes], abs=1e-9)
    assert model.knowledge.learned == summary(learned) == learned_text()


def learned_text() -> str:
    return "from 3 closed, proven orders; the prior weighs 10 visits, each row 20 orders"


def test_a_heavier_prior_gives_way_less() -> None:
    orders = [order(f"{n}", "for-b") for n in range(10)]
    moved = [after(learn(known(), orders, weight), "b") for weight in (5, 50, 500)]
    assert moved == sorted(moved, reverse=True)
    assert moved[0] == pytest.approx((5 * 0.3 + 10) / 15)
    with pytest.raises(ValueError, match="above 0"):
        learn(known(), orders, 0)


def test_no_orders_change_nothing() -> None:
    learned = learn(known(), [])
    assert [one.after for one in learned.causes] == pytest.approx([0.5, 0.3, 0.3])
    assert learned.rows == ()
    assert applied(known(), learned).items == known().items


def test_rows_are_the_means_of_dirichlet_distributions() -> None:
    """7 orders of a: bad 4, poor 2, good 1; a silent background, so what is seen is what was drawn."""
    seen = ["bad"] * 4 + ["poor"] * 2 + ["good"]
    learned = learn(known(), [order(f"{n}", "for-a", one) for n, one in enumerate(seen)], row_weight=20)
    row = next(one for one in learned.rows if one.cause == "a")
    assert row.counts == pytest.approx((1, 2, 4))
    assert row.after == pytest.approx(((4 + 1) / 27, (6 + 2) / 27, (10 + 4) / 27))
    assert row.after == pytest.approx(stats.dirichlet([20 * 0.2 + 1, 20 * 0.3 + 2, 20 * 0.5 + 4]).mean())
    assert [one.cause for one in learned.rows] == ["a"], "nothing was seen of b"


def test_what_the_background_may_have_shown_counts_in_part() -> None:
    """Background 0.6, 0.3, 0.1, row 0.2, 0.3, 0.5; seen: poor. Drawn was good with background poor: 0.2*0.3 = 0.06; or
    poor with background up to poor: 0.3*0.9 = 0.27. So 0.06/0.33 and 0.27/0.33. By hand."""
    item = known(background=(0.6, 0.3, 0.1)).items["t"]
    assert draw(item, "a", 1) == pytest.approx((0.06 / 0.33, 0.27 / 0.33, 0))
    assert draw(item, "a", 0) == pytest.approx((1, 0, 0))
    assert draw(item, "a", 2) == pytest.approx(np.array((0.2 * 0.1, 0.3 * 0.1, 0.5)) / 0.55)
    learned = learn(known((0.6, 0.3, 0.1)), [order("1", "for-a", "poor")], row_weight=10)
    assert learned.rows[0].after == pytest.approx(((2 + 0.06 / 0.33) / 11, (3 + 0.27 / 0.33) / 11, 5 / 11))


def test_a_repair_for_several_counts_for_each_by_what_was_seen() -> None:
    """New battery for a or b; the test was bad, which a shows 5 times as often: prior weights times 0.5 and 0.1."""
    model = Model(known())
    lesson = order("1", "for-ab", "bad")
    shares = dict(zip(model.hypotheses, was(model, lesson.evidence), strict=True))
    prior = dict(zip(model.hypotheses, model.prior, strict=True))
    both = prior["a", "b"] * (1 - 0.5 * 0.9)  # bad, unless both draw less
    total = prior["a",] * 0.5 + prior["b",] * 0.1 + both
    assert shares["a",] == pytest.approx(prior["a",] * 0.5 / total)
    assert shares["b",] == pytest.approx(prior["b",] * 0.1 / total)
    assert shares["a", "b"] == pytest.approx(both / total)
    assert shares["c",] == shares[()] == 0
    learned = learn(model, [lesson])
    assert count(learned, "a") == pytest.approx(shares["a",] + shares["a", "b"])
    assert learned.two.count == pytest.approx(shares["a", "b"])


def test_what_was_not_repaired_was_not_there() -> None:
    """Proven after a repair of b, whatever the test said before; and without any repair nothing was wrong."""
    assert count(learn(known(), [order("1", "for-b", "bad")]), "b") == pytest.approx(1)
    assert count(learn(known(), [order("1", "for-b", "bad")]), "a") == pytest.approx(0)
    nothing = learn(known((0.9, 0.05, 0.05)), [order("1", None, "good")])
    assert nothing.nothing.count == pytest.approx(1)


def test_what_was_seen_after_a_repair_teaches_no_row() -> None:
    lesson = order("1", "for-a", "bad")
    later = Lesson("1", [*lesson.evidence, Observed((3, 0), "t", "good")])
    assert learn(known(), [later]).rows == learn(known(), [lesson]).rows


def test_an_order_that_fits_nothing_is_left_out_and_named() -> None:
    """Without a background 'bad' cannot come of c, the only thing that was mended."""
    learned = learn(known(), [order("1007", "for-c", "bad"), order("1008", "for-a", "bad")])
    assert learned.passed_over == ("1007",)
    assert learned.orders == 1


def test_two_causes_mended_one_after_the_other() -> None:
    first, second = known().repairs["for-a"], known().repairs["for-b"]
    evidence = [
        Mended((1, 0), first.mends, first.touches, first.id),
        Observed((2, 0), "t", "poor"),
        Mended((3, 0), second.mends, second.touches, second.id),
    ]
    learned = learn(known(), [Lesson("1", evidence)])
    assert count(learned, "b") == pytest.approx(1), "only b is left to show 'poor' after a was mended"
    assert 0 < count(learned, "a") < 1
    assert learned.two.count == pytest.approx(count(learned, "a"))


def test_counting_comes_to_what_a_shop_really_has() -> None:
    """600 orders of a shop with other frequencies: what is learned comes near them, whatever the prior."""
    rng = np.random.default_rng(3)
    orders = []
    for n in range(600):
        cause = str(rng.choice(["a", "b", "c"], p=[0.1, 0.2, 0.7]))
        row = {"a": (0.6, 0.2, 0.2), "b": (0.2, 0.7, 0.1), "c": (1.0, 0.0, 0.0)}[cause]
        orders.append(order(f"{n}", f"for-{cause}", ("good", "poor", "bad")[int(rng.choice(3, p=row))]))
    learned = learn(known(), orders, row_weight=2)
    assert [after(learned, one) for one in "abc"] == pytest.approx([0.1, 0.2, 0.7], abs=0.06)
    row = next(one for one in learned.rows if one.cause == "a")
    assert row.after == pytest.approx((0.6, 0.2, 0.2), abs=0.12)
    better = rank(applied(known(), learned), [])
    assert better.causes[0].id == "c"
