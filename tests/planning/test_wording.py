"""Findings become sentences in one place: every kind has one that its values fill."""

import string

import pytest

from fillalign.planning import Bound, Finding, Kind
from fillalign.planning.wording import sentences


def places(kind):
    """Names and formats of the values in a kind's sentence."""
    return [(name, form) for _, name, form, _ in string.Formatter().parse(kind.sentence) if name]


def sample(name, form):
    """Return a value that fits a place."""
    if form:
        return 3.25
    return f"<{name}>"


@pytest.mark.parametrize("kind", Kind, ids=lambda kind: kind.name)
def test_every_sentence_is_filled_by_its_values(kind):
    values = {name: sample(name, form) for name, form in places(kind) if name != "where"}
    said = str(Finding(kind, "Fill 1", values))
    assert "{" not in said
    for name, form in places(kind):
        shown = "Fill 1" if name == "where" else format(values[name], form)
        assert shown in said
    whole = kind.group in ("need", "summary", "reason", "unmet", "cure", "caution",
                                "assumption", "change", "reading", "doubt")
    assert said.endswith(".") == whole


def test_findings_inside_a_finding_are_listed():
    told = {"beside": "", "what": "fill", "from_x_m": 12.0}
    need = Finding(Kind.NEEDED, "balcony", {**told, "causes": (
        Finding(Kind.LEVEL, "balcony", {"short_db": 3.04}),
        Finding(Kind.TONE, "balcony", {"loss_db": 7.0, "limit_db": 6.0}))})
    assert str(need) == ("balcony: fill needed from 12 m, because the level lies up to 3.0 dB "
                         "below the profile and up to 7.0 dB of highs are lost (limit 6 dB).")
    costs = tuple(Finding(Kind.LOW_CUT_COST, "", {"corner_hz": hz, "loss_db": db})
                  for hz, db in ((100.0, 0.3), (120.0, 1.04)))
    assert "(100 Hz costs 0.30 dB, 120 Hz costs 1.04 dB)" in str(
        Finding(Kind.LOW_CUT, "Fill 1", {"corner_hz": 120.0, "costs": costs}))
    assert str(Finding(Kind.SOUNDING, "", {"outputs": ("Fill 1", "Fill 2")})) == (
        "Fills that sound: Fill 1, Fill 2.")


def test_a_name_that_reads_like_a_sentence_breaks_none():
    # An area may be named as its owner likes.
    need = Finding(Kind.NEEDED, "{help} needed from here, because", {
        "beside": "", "what": "fill", "from_x_m": 3.0,
        "causes": (Finding(Kind.LEVEL, "", {"short_db": 2.0}),)})
    assert str(need).startswith("{help} needed from here, because: fill needed from 3 m")


@pytest.mark.parametrize("bound", Bound)
def test_a_bound_is_told_by_its_phrase(bound):
    said = str(Finding(Kind.OFF_BARRED, "Fill 1", {"bound": bound}))
    assert said == f"The output stays off, since {bound.value} leaves it no trim."


def test_sentences_are_taken_by_group_in_their_order():
    found = (Finding(Kind.LASER), Finding(Kind.OFF_NOT_NEEDED), Finding(Kind.RIGGING))
    assert sentences(found, "caution") == (str(found[0]), str(found[2]))
    assert sentences(found, "reason", "caution") == tuple(map(str, found))
    assert sentences(found, "unmet") == ()
