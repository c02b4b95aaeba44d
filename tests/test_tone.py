"""Low cuts: the choice by its definition (common practice); their losses: test_planner."""

from fillalign.tone import LowCutTry, chosen_low_cut
from tests.small_venue import small_hall


def test_low_cut_is_the_highest_then_the_steepest_within_1_db():
    def tried(corner, order, loss):
        return LowCutTry(corner, order, "butterworth", loss, 100)

    hall = small_hall()
    tries = (tried(100, 2, 0.5), tried(120, 2, 0.9), tried(120, 4, 1.0), tried(150, 2, 1.1))
    assert chosen_low_cut(hall, "Fills", tries) == tries[2]
    assert chosen_low_cut(hall, "Fills", tries[3:]) is None
    assert chosen_low_cut(hall, "Fills", (tried(60, 2, 0.0),)) is None
