"""Pictures: what they hold, that nothing overlaps or is cut off, and that grey print works."""

from __future__ import annotations

import itertools
import re
import subprocess
import sys
import warnings
import xml.etree.ElementTree as ET
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from functools import partial
from pathlib import Path

import matplotlib
import matplotlib.style
import numpy as np
import pandas as pd
import pytest
from cycler import cycler
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure
from matplotlib.legend import Legend

from fillalign import OutputSettings, evaluate, plan_fills, plots, read_venue
from fillalign.plots import base, views
from fillalign.sheet import setup_sheet_html
from tests.demo_plans import DATA, VENUES, demo_plan

PICTURE = DATA / "tidewell_hall.svg"
# A hall, a field, and a room whose fill stays off; the others for long runs.
SOME = [name if name in ("tidewell_hall", "cinder_meadow", "lantern_room") else
        pytest.param(name, marks=pytest.mark.long) for name in VENUES]


@pytest.fixture(scope="module")
def hall():
    return demo_plan("tidewell_hall")


@pytest.fixture(scope="module")
def early_room():
    """Return the small room with its fill undelayed: early at every seat."""
    room = read_venue(DATA / "lantern_room.toml")
    return evaluate(room, {"Fill": OutputSettings(delay_ms=0.0, trim_db=0.0)})


def drawn(draw, *arguments, **options):
    """Draw into axes of a figure that nobody else has."""
    return draw(*arguments, ax=Figure().add_subplot(), **options)


def words(figure):
    """Text and box in pixels of everything written in a figure."""
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    renderer = canvas.get_renderer()
    texts = [text for legend in figure.legends for text in legend.get_texts()]
    for ax in figure.axes:
        texts += [*ax.texts, ax.xaxis.label, ax.yaxis.label, ax.title, ax._left_title]
        texts += ax.get_legend().get_texts() if ax.get_legend() else []
        for axis in (ax.xaxis, ax.yaxis):
            low, high = sorted(axis.get_view_interval())
            texts += [t.label1 for t in axis.get_major_ticks() if low <= t.get_loc() <= high]
    shown = [text for text in texts if text.get_text().strip()]
    return [(text.get_text(), text.get_window_extent(renderer)) for text in shown]


def overlap(one, other):
    width = min(one.x1, other.x1) - max(one.x0, other.x0)
    height = min(one.y1, other.y1) - max(one.y0, other.y0)
    return min(width, height)


def check_words(figure, where):
    texts = words(figure)
    assert texts
    for text, box in texts:
        inside = (box.x0 > -0.2 and box.y0 > -0.2 and box.x1 < figure.bbox.x1 + 0.2
                  and box.y1 < figure.bbox.y1 + 0.2)
        assert inside, f"{where}: {text!r} is cut off"
    for (text, box), (other_text, other) in itertools.combinations(texts, 2):
        assert overlap(box, other) < 1.5, f"{where}: {text!r} lies on {other_text!r}"


@pytest.mark.parametrize("venue", [
    "tidewell_hall", *(pytest.param(name, marks=pytest.mark.long)
                       for name in VENUES if name != "tidewell_hall"),
])
def test_no_word_of_a_sheet_is_cut_off_or_lies_on_another(venue, monkeypatch):
    made = []
    usual = base.svg_bytes

    def keep(figure, description):
        picture = usual(figure, description)
        # Looked at as it was written, not as one more layout would mend it.
        figure.set_layout_engine("none")
        made.append((figure, description))
        return picture

    monkeypatch.setattr(base, "svg_bytes", keep)
    assert len(setup_sheet_html(demo_plan(venue))) < 1_500_000
    sounding = sum(fill.sounding for fill in demo_plan(venue).fills)
    assert len(made) == 4 + (2 if sounding else 0) + 3 * sounding
    for figure, description in made:
        check_words(figure, f"{venue}, {description[:40]}")


@pytest.mark.parametrize("venue", SOME)
def test_no_word_of_an_overview_is_cut_off_or_lies_on_another(venue):
    check_words(plots.overview(demo_plan(venue)), venue)


def every_draw(plan):
    fill = next(found.output for found in plan.fills if found.sounding)
    return [
        partial(plots.plan_view, plan), partial(plots.side_section, plan),
        partial(plots.plan_view, plan.venue), partial(plots.side_section, plan.venue),
        partial(plots.walk_levels_plot, plan), partial(plots.retime_plot, plan),
        partial(plots.walk_levels_plot, plan, which="meter"), partial(plots.gap_map, plan),
        partial(plots.gap_map, plan, fill), partial(plots.trim_curve_plot, plan, fill),
        partial(plots.speech_plot, plan, fill),
    ]


EVERY_DRAW = range(11)


def test_every_axis_names_its_unit(hall):
    for draw in every_draw(hall):
        ax = drawn(draw)
        for text in (ax.get_xlabel(), ax.get_ylabel()):
            assert text == "speech index" or re.search(r", (m|ms|dB|dBA|%|C)$", text), (draw, text)


# As matplotlib's users expect


@pytest.fixture
def pyplot():
    """Give pyplot without figures, and close what a test opens."""
    from matplotlib import pyplot

    pyplot.switch_backend("agg")
    pyplot.close("all")
    yield pyplot
    pyplot.close("all")


@pytest.mark.parametrize("which", EVERY_DRAW)
def test_axes_given_are_drawn_into_and_only_they(hall, pyplot, which):
    figure, (one, other) = pyplot.subplots(1, 2)
    assert every_draw(hall)[which](ax=one) is one
    assert not other.has_data()
    assert not figure.legends
    assert pyplot.gca() is other
    assert len(pyplot.get_fignums()) == 1
    assert len(figure.axes) == 2


@pytest.mark.parametrize("which", EVERY_DRAW)
def test_without_axes_it_is_pyplots_current_ones(hall, pyplot, which):
    _, (one, other) = pyplot.subplots(1, 2)
    pyplot.sca(one)
    assert every_draw(hall)[which]() is one
    assert one.has_data()
    assert not other.has_data()


def test_a_figure_is_opened_where_pyplot_has_none(hall, pyplot):
    ax = plots.walk_levels_plot(hall)
    assert ax.figure.number in pyplot.get_fignums()


@pytest.mark.parametrize("which", EVERY_DRAW)
def test_drawing_again_leaves_one_legend(hall, which):
    ax = Figure().add_subplot()
    draw = every_draw(hall)[which]
    draw(ax=ax)
    once = len(ax.get_legend().get_texts()) if ax.get_legend() else 0
    ax.clear()
    draw(ax=ax)
    assert not ax.figure.legends
    assert sum(isinstance(child, Legend) for child in ax.get_children()) == bool(once)
    assert (len(ax.get_legend().get_texts()) if once else 0) == once


def test_sizes_fonts_and_colours_are_those_of_the_user(hall):
    user = {"font.size": 20.0, "font.family": "DejaVu Serif", "legend.fontsize": 14.0,
            "lines.linewidth": 4.0, "xtick.labelsize": 9.0, "axes.labelcolor": "red",
            "axes.prop_cycle": cycler(color=["lime", "magenta", "cyan"])}
    with matplotlib.rc_context(user):
        ax = drawn(plots.walk_levels_plot, hall)
        view = drawn(plots.plan_view, hall)
    named = {line.get_label(): line for line in ax.get_lines()}
    assert [named[name].get_color() for name in ("with the fills", "mains alone", "profile")] == [
        "lime", "magenta", "cyan"]
    assert named["profile"].get_linewidth() == 4.0
    assert ax.xaxis.label.get_fontsize() == 20.0
    assert ax.xaxis.get_ticklabels()[0].get_fontsize() == 9.0
    assert {text.get_fontsize() for text in ax.get_legend().get_texts()} == {14.0}
    assert ax.get_legend().get_texts()[0].get_fontfamily() == ["DejaVu Serif"]
    area = next(text for text in view.texts if text.get_text() == "middle")
    assert area.get_fontsize() == pytest.approx(0.86 * 20)
    mains = next(line for line in view.get_lines() if line.get_marker() == "s")
    assert mains.get_color() == "red"
    usual = drawn(plots.walk_levels_plot, hall)
    assert usual.xaxis.label.get_fontsize() == 10.0
    assert usual.get_lines()[0].get_color() != "lime"


@pytest.mark.parametrize("name", SOME)
def test_a_venue_is_drawn_before_it_is_planned(name):
    venue = demo_plan(name).venue
    for draw in (plots.plan_view, plots.side_section):
        plain, planned = drawn(draw, venue), drawn(draw, demo_plan(name))
        assert plain.get_xlim() == planned.get_xlim()
        assert plain.get_ylim() == planned.get_ylim()
        assert plain.get_xlabel() == planned.get_xlabel()
    key = [text.get_text() for text in drawn(plots.plan_view, venue).get_legend().get_texts()]
    roles = {source.output: source.role for source in venue.sources}
    assert key == [f"{output}: {roles[output]}" for output in venue.outputs]
    assert plots.extent_m(venue) == plots.extent_m(demo_plan(name))
    assert plots.key_rows(venue, 7.0) == plots.key_rows(demo_plan(name), 7.0)


def test_the_key_has_the_columns_that_its_axes_have_room_for(hall):
    wide = Figure(figsize=(12, 6))
    alone = plots.plan_view(hall, ax=wide.add_subplot())
    third = plots.plan_view(hall, ax=wide.add_subplot(1, 3, 1))
    assert alone.get_legend()._ncols > third.get_legend()._ncols == 1


def test_eight_threads_make_the_same_bytes_and_change_nothing(hall):
    draws = [partial(plots.plan_view, hall), partial(plots.gap_map, hall),
             partial(plots.trim_curve_plot, hall, "Fill inner")]

    def page(number):
        return plots.page_picture(draws[number % 3], (2.5, 2.0), "A picture.")

    before, warned = dict(matplotlib.rcParams), list(warnings.filters)
    alone = [page(number) for number in range(3)]
    with ThreadPoolExecutor(8) as threads:
        together = list(threads.map(page, range(5)))
    assert together == [*alone, *alone[:2]]
    assert len(set(alone)) == 3
    assert dict(matplotlib.rcParams) == before
    assert list(warnings.filters) == warned


@pytest.mark.parametrize("style", [
    "dark_background", pytest.param("ggplot", marks=pytest.mark.long)])
def test_a_page_is_white_paper_in_any_style(hall, style):
    def drawn():
        return [plots.page_picture(partial(one, hall), (4.0, 2.5), "A picture.")
                for one in (plots.plan_view, plots.walk_levels_plot, plots.gap_map)]

    usual = drawn()
    with matplotlib.style.context(style):
        assert drawn() == usual


def test_no_global_state_is_touched_in_the_source():
    """rc_context and catch_warnings change what other threads see."""
    for path in Path(plots.__file__).parent.glob("*.py"):
        text = path.read_text(encoding="utf-8")
        for word in ("rcParams", "rc_context", "catch_warnings", "rcdefaults", "style.use"):
            assert word not in text, (path.name, word)


def luminance(colour):
    """Relative luminance as the Web Content Accessibility Guidelines 2.1 define it."""
    parts = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in to_rgb(colour)]
    return float(np.dot([0.2126, 0.7152, 0.0722], parts))


def contrast(one, other):
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_contrast_of_words_and_lines():
    """WCAG 2.1 asks for 4.5:1 for words and 3:1 for lines that carry meaning."""
    assert contrast(base.INK, "white") >= 4.5
    assert contrast(base.INK, base.PALE) >= 4.5
    assert contrast(base.INK, base.ONE_HUE(1.0)[:3]) >= 4.5
    assert contrast(base.HUE, "white") >= 3.0
    assert contrast(base.GREY, "white") >= 3.0
    assert contrast(base.HUE, base.PALE) >= 3.0


def test_the_map_has_one_hue_and_darkens_all_the_way():
    colours = [base.ONE_HUE(share)[:3] for share in np.linspace(0, 1, 20)]
    assert np.all(np.diff([luminance(c) for c in colours]) < 0)
    assert all(blue > green > red for red, green, blue in colours)


@pytest.mark.parametrize(("draw", "more"), [
    (plots.walk_levels_plot, {}), (plots.walk_levels_plot, {"which": "meter"}),
    (plots.trim_curve_plot, {"fill": "Fill inner"}), (plots.speech_plot, {"fill": "Fill inner"}),
    (plots.retime_plot, {}),
])
def test_lines_differ_without_colour(hall, draw, more):
    ax = drawn(draw, hall, **more)
    named = {line.get_label(): (str(line._dash_pattern), line.get_marker(), line.get_linewidth())
             for line in ax.get_lines() if not line.get_label().startswith("_")}
    assert len(named) >= 2
    assert len(set(named.values())) == len(named)


def curves(ax, prefix):
    lines = [line for line in ax.get_lines() if str(line.get_gid() or "").startswith(prefix)]
    return np.concatenate([line.get_xydata() for line in lines])


@pytest.mark.parametrize(("which", "before", "after"), [
    ("heard", "heard_before_dba", "heard_after_dba"), ("meter", "before_dba", "after_dba"),
])
def test_the_walk_shows_the_levels_of_the_plan(hall, which, before, after):
    ax = drawn(plots.walk_levels_plot, hall, which=which)
    for prefix, name in (("walk mains alone", before), ("walk with the fills", after)):
        x, level = curves(ax, prefix).T
        np.testing.assert_array_equal(x, hall.walk.x_m)
        np.testing.assert_array_equal(level, getattr(hall.walk, name))
    assert any(line.get_label() == "profile" for line in ax.get_lines()) == (which == "heard")


@pytest.mark.parametrize("name", SOME)
def test_curves_on_a_page_differ_whatever_the_number_of_areas(name):
    """The cycle of a page's axes has three entries: three areas once gave one colour to all."""
    ax = plots.walk_levels_plot(demo_plan(name), ax=base.style_for_page(Figure().add_subplot()))
    looks = {}
    for line in ax.get_lines():
        looks.setdefault(line.get_gid()[:-2], set()).add((line.get_color(), line.get_linewidth()))
    assert {len(one) for one in looks.values()} == {1}
    assert len(set.union(*looks.values())) == len(looks) >= 2


def test_the_names_of_the_walk_lie_over_no_curve(hall):
    ax = drawn(plots.walk_levels_plot, hall)
    assert ax.get_legend().get_window_extent().y0 >= ax.get_window_extent().y1


def test_areas_lie_whole_in_the_views():
    """With their names: seats stand inside an area, up to half a spacing from its edge."""
    plan = demo_plan("cinder_meadow")
    areas = [replace(area, y_from_m=-90.0, y_to_m=90.0, seat_spacing_m=100.0)
             for area in plan.venue.areas]
    ax = drawn(plots.plan_view, replace(plan.venue, areas=tuple(areas)))
    assert ax.get_ylim()[0] < -90.0
    assert ax.get_ylim()[1] > 90.0
    low, high = drawn(plots.gap_map, plan, "Ring 1 L").get_xlim()
    assert low < plan.venue.areas[1].x_from_m < plan.venue.areas[2].x_to_m < high


def marks_above(ax):
    ax.figure.draw_without_rendering()
    return [text.get_window_extent() for text in ax.texts]


@pytest.mark.parametrize("bounds", [(10.5, 11.0, 12.5, 25.0), (-8.5, -7.5, -7.0, 20.0),
                                    (-8.0, 3.0, 20.0, 30.0)])
def test_marks_over_the_trim_stand_apart(hall, bounds):
    found = next(fill for fill in hall.fills if fill.output == "Fill inner")
    moved = replace(found, trim=replace(found.trim, bounds=dict(
        zip(found.trim.bounds, bounds, strict=False))))
    plan = replace(hall, fills=tuple(moved if one is found else one for one in hall.fills))
    ax = plots.trim_curve_plot(plan, "Fill inner", ax=base.style_for_page(
        Figure(figsize=(2.44, 1.97), layout="constrained").add_subplot()))
    boxes = marks_above(ax)
    assert len(boxes) >= 4
    assert not any(one.overlaps(other) for at, one in enumerate(boxes) for other in boxes[:at])
    legend = ax.get_legend().get_window_extent()
    assert not any(legend.overlaps(box) for box in boxes)


def test_without_a_sounding_fill_the_walk_has_no_line_after():
    ax = drawn(plots.walk_levels_plot, demo_plan("lantern_room"))
    assert {line.get_label() for line in ax.get_lines()} >= {"mains alone", "profile"}
    assert "with the fills" not in {line.get_label() for line in ax.get_lines()}


def test_retime_plot_shows_the_retime_table(hall):
    table = hall.retime()
    ax = drawn(plots.retime_plot, hall)
    line = next(line for line in ax.get_lines() if line.get_label() == "Fill outer")
    temperature, moved = line.get_xydata().T
    np.testing.assert_allclose(temperature, table["temperature_c"])
    delay = hall.settings["Fill outer"].delay_ms
    np.testing.assert_allclose(moved, table["Fill outer"] - delay)
    assert not any(line.get_label() == "Lip bus" for line in ax.get_lines())


def test_trim_curve_marks_what_is_set_and_every_limit(hall):
    ax = drawn(plots.trim_curve_plot, hall, "Fill inner")
    report = next(fill for fill in hall.fills if fill.output == "Fill inner")
    upright = {float(line.get_xdata()[0]) for line in ax.get_lines() if len(line.get_xdata()) == 2}
    assert upright == {hall.settings["Fill inner"].trim_db, *report.trim.bounds.values()}
    letters = plots.bound_letters(report)
    assert {bound for _, bound in letters.values()} == set(report.trim.bounds)
    shown = "".join(text.get_text() for text in ax.texts)
    assert "set" in shown
    assert all(letter in shown for letter in letters)
    served = next(line for line in ax.get_lines() if line.get_label() == "rows served")
    np.testing.assert_allclose(served.get_ydata(), 100 * report.trim.served_share)


def test_speech_plot_shows_benefit_and_harm(hall):
    report = next(fill for fill in hall.fills if fill.output == "Fill inner")
    lines = {line.get_label(): line.get_ydata() for line in
             drawn(plots.speech_plot, hall, "Fill inner").get_lines()}
    np.testing.assert_array_equal(lines["rows covered"], report.trim.speech_covered)
    np.testing.assert_array_equal(lines["rows ahead"], report.trim.speech_ahead)


def test_gap_grid_holds_the_gaps_of_the_seat_table(hall):
    seats = hall.seats()
    index = list(hall.venue.outputs).index("Fill inner")
    for place, area in enumerate(hall.venue.areas):
        own = seats[seats["area"] == area.name]
        grid = views._gap_grid(hall, area, place, index)
        assert grid.shape[0] == len(area.rows_x_m)
        expected = own[own["fill"] == "Fill inner"]["gap_ms"]
        np.testing.assert_allclose(np.sort(grid[np.isfinite(grid)]), np.sort(expected))
        loudest = own.loc[own.groupby("seat")["level_difference_db"].idxmax()]
        either = views._gap_grid(hall, area, place, None)
        np.testing.assert_allclose(np.sort(either[np.isfinite(either)]),
                                   np.sort(loudest["gap_ms"]))


def test_figures_on_the_contours_are_the_gaps_there(hall):
    """Each figure lies on seats whose gaps enclose it."""
    ax = drawn(plots.gap_map, hall, "Fill inner")
    seats = hall.seats()
    seats = seats[seats["fill"] == "Fill inner"]
    figures = [text for text in ax.texts if re.fullmatch(r"-?\d+", text.get_text())]
    assert len(figures) >= 4
    for text in figures:
        x, y = text.get_position()
        near = seats[np.hypot(seats["x_m"] - x, seats["y_m"] - y) < 2.0]["gap_ms"]
        assert near.min() - 0.5 <= float(text.get_text()) <= near.max() + 0.5


@pytest.mark.parametrize(("low", "high"), [(1.0, 2.5), (5.0, 40.0), (-3.0, 160.0), (4.0, 4.0)])
def test_contour_values_are_few_and_enclose_most_gaps(low, high):
    levels = views._gap_levels(np.array([*np.linspace(low, high, 101), np.nan]))
    assert 2 <= len(levels) <= 8 or low == high
    assert levels[0] <= low + 0.02 * (high - low) + 1e-9
    assert levels[-1] >= high - 0.05 * (high - low) - 1e-9


def test_early_fills_are_hatched(hall, early_room):
    def hatched(ax):
        return [c for c in ax.collections if any(getattr(c, "hatches", None) or [])
                and any(len(path.vertices) for path in c.get_paths())]

    assert not hatched(drawn(plots.gap_map, hall))
    assert hatched(drawn(plots.gap_map, early_room))


def test_a_single_row_gets_figures_instead_of_contours(tmp_path):
    text = (DATA / "lantern_room.toml").read_text().replace("x_from_m = 7.0", "x_from_m = 10.0")
    path = tmp_path / "row.toml"
    path.write_text(text)
    plan = evaluate(read_venue(path), {"Fill": OutputSettings(delay_ms=18.0, trim_db=0.0)})
    ax = drawn(plots.gap_map, plan)
    shown = [text for text in ax.texts if text.get_position()[0] == 10.0]
    assert len(shown) == 7
    back = plan.seats().query("area == 'back'").sort_values("y_m")["gap_ms"]
    assert [text.get_text() for text in sorted(shown, key=lambda t: t.get_position()[1])] == [
        f"{gap:.0f}" for gap in back
    ]


@pytest.mark.parametrize(("draw", "message"), [
    (lambda plan: drawn(plots.gap_map, plan, "Lip bus"), "one that sounds"),
    (lambda plan: drawn(plots.gap_map, plan, "nothing"), "got 'nothing'"),
    (lambda plan: drawn(plots.trim_curve_plot, plan, "Main bus"), "fill must be one of Lip bus"),
    (lambda plan: drawn(plots.speech_plot, plan, "Main bus"), "got 'Main bus'"),
])
def test_a_fill_that_is_none_is_refused(hall, draw, message):
    with pytest.raises(ValueError, match=message):
        draw(hall)


def test_a_plan_without_fills_has_no_gap_map():
    with pytest.raises(ValueError, match="none does"):
        drawn(plots.gap_map, demo_plan("lantern_room"))


def test_places_are_drawn_where_they_hang_and_aim_with_what_they_serve():
    """Of two heights at one place the better; a square stands where they hang now."""
    places = pd.DataFrame({"x_m": [18.0, 22.0, 22.0, 18.0], "aim_x_m": [29.0, 29.0, 35.0, 29.0],
                           "served_share": [1.0, 0.6, 0.25, 0.2],
                           "now": [False, True, False, False]})
    ax = drawn(plots.places_plot, places)
    dots, ring, square = ax.collections
    assert dots.get_offsets().tolist() == places[["x_m", "aim_x_m"]].to_numpy()[:3].tolist()
    assert ring.get_offsets().tolist() == [[18.0, 29.0]]
    assert square.get_offsets().tolist() == [[22.0, 29.0]]
    assert [text.get_text() for text in ax.texts] == ["100", "60", "25"]
    assert (np.diff(dots.get_sizes()) < 0).all()


def test_a_plan_without_fills_has_its_other_pictures():
    room = demo_plan("lantern_room")
    assert drawn(plots.retime_plot, room).get_legend() is None
    assert drawn(plots.plan_view, room).has_data()


@pytest.mark.parametrize("draw", [plots.trim_curve_plot, plots.speech_plot])
def test_a_fill_that_nobody_needs_has_no_curve_of_trims(draw):
    with pytest.raises(ValueError, match="fill 'Fill' is off and not needed: no trim was tried"):
        drawn(draw, demo_plan("lantern_room"), "Fill")


def test_outputs_that_stay_off_are_drawn_hollow_and_dotted(hall):
    lines = drawn(plots.plan_view, hall).get_lines()
    hollow = [line for line in lines if line.get_markerfacecolor() == "white"]
    dotted = [line for line in lines if line.get_linestyle() == ":"]
    off = [s for s in hall.venue.sources if np.isneginf(hall.settings[s.output].trim_db)]
    assert len(hollow) == len(dotted) == len(off) == 9


def test_side_section_says_how_much_higher_it_is_drawn(hall):
    ax = drawn(plots.side_section, hall, stretch=3.0)
    assert ax.get_ylabel() == "z, m (drawn 3:1)"
    assert ax.get_aspect() == 3.0


def test_names_are_never_mathematics_or_hidden(tmp_path):
    text = (DATA / "lantern_room.toml").read_text()
    for name, other in (("[output.Fill]", "[output.'_$\\frac{x$ <b>&']"),
                        ('output = "Fill"', "output = '_$\\frac{x$ <b>&'"),
                        ('"back"', "'$\\nonsense$ \u5bb4'"), ('"Lantern Room"', "'$x_'")):
        assert name in text
        text = text.replace(name, other)
    path = tmp_path / "names.toml"
    path.write_text(text, encoding="utf-8")
    plan = plan_fills(read_venue(path))
    picture = plots.svg_bytes(plots.overview(plan), plots.overview_text(plan))
    ET.fromstring(picture)
    figure = plots.overview(plan)
    key = [text.get_text() for text in figure.axes[0].get_legend().get_texts()]
    assert key[1] == " _\\$\\frac{x\\$ <b>&: off"


def test_the_same_plan_gives_the_same_bytes_in_any_process_and_loads_no_window_system():
    code = (
        "import sys; from fillalign import plan_fills, plots, read_venue\n"
        "plan = plan_fills(read_venue(sys.argv[1]))\n"
        "data = plots.svg_bytes(plots.overview(plan), plots.overview_text(plan))\n"
        "assert 'matplotlib.pyplot' not in sys.modules\n"
        "sys.stdout.buffer.write(data)"
    )
    there = subprocess.run(
        [sys.executable, "-c", code, str(DATA / "lantern_room.toml")], check=True,
        capture_output=True, env={"PYTHONHASHSEED": "1", "PYTHONPATH": str(DATA.parent),
                                  "TZ": "Asia/Tokyo", "HOME": "/nonexistent",
                                  "MPLCONFIGDIR": "/tmp"},
    ).stdout
    plan = demo_plan("lantern_room")
    assert there == plots.svg_bytes(plots.overview(plan), plots.overview_text(plan))


SVG = "{http://www.w3.org/2000/svg}"


def description(tree):
    return tree.findtext(".//{http://purl.org/dc/elements/1.1/}description")


def walk_path(tree):
    """Corners of the line of the level after, in the units of the picture."""
    group = tree.find(f".//{SVG}g[@id='walk with the fills 1']/{SVG}path")
    return np.array([float(x) for x in re.findall(r"-?[\d.]+", group.get("d"))])


def test_the_picture_of_the_readme_is_of_this_plan(hall):
    """Made by: python -m fillalign data/tidewell_hall.toml --picture data/tidewell_hall.svg."""
    stored = PICTURE.read_bytes()
    assert len(stored) < 150_000
    fresh = ET.fromstring(plots.svg_bytes(plots.overview(hall), plots.overview_text(hall)))
    tree = ET.fromstring(stored)
    assert description(tree) == plots.overview_text(hall), "make the picture again: see above"
    np.testing.assert_allclose(walk_path(tree), walk_path(fresh), atol=0.5)


def test_overview_in_words(hall):
    text = plots.overview_text(hall)
    own = hall.settings["Fill inner"]
    assert f"Fill inner {own.delay_ms:.2f} ms at {own.trim_db:+.1f} dB" in text
    assert "Lip bus" not in text
    assert "none sounds" in plots.overview_text(demo_plan("lantern_room"))
