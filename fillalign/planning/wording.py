"""What was found, as data, and the one place where it becomes sentences."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from enum import Enum
from typing import Any

from fillalign._validate import ByValue

_SET_OTHERWISE = "dialled so, or the least lacking of plans that call one another up in turn."
_HEARING = (
    "WHO's 2022 standard for venues asks for at most 100 dB LAeq over 15 minutes and "
    "occupational limits are lower (85 dBA over 8 h, NIOSH); local rules decide."
)
_LOWEST = ("The lowest speech transmission is {index:.2f} (row at {x_m:.0f} m{of}, goal "
           "{goal:.2f}): 10 dB more from everything would change it by {change}")
_MAINS = ("The mains give {meter_dba:.1f} dBA at the reference, not {goal_dba:.1f} dBA: on the "
          "mains ")
_OFF = ("The output stays off: without it its rows lack {without:.2f} just noticeable steps on "
        "average; ")
_MOST = ("{where}{beside}: no fill needed: of its {rows} rows {served} get level, tone and "
         "speech")
_SPREAD = "Front to back the level spreads over {before_db:.1f} dB with the mains alone"
_ROWS = "rows at {from_x_m:g} to {to_x_m:g} m{of} "
_AT = "{where} at x {x_m:.1f}, y {y_m:.1f} m: "
_LESS = _AT + "fill less mains reads "
_GAP = _AT + "the fill comes {gap_ms:+z.2f} ms after the mains"
_JOINTS = {"cause": " and ", "offer": " and ", "cost": ", ", "effect": "; "}
"""What stands between findings of a group that are listed inside another."""


class Kind(Enum):
    """A kind of finding: what it is (`group`: a need, a reason, unmet ...), and its `sentence`."""

    def __init__(self, group: str, sentence: str) -> None:
        self.group, self.sentence = group, sentence

    def __call__(self, where: str = "", /, **values: Any) -> Finding:
        """Return a finding of this kind."""
        return Finding(self, where, values)

    LEVEL = "cause", "the level lies up to {short_db:.1f} dB below the profile"
    TONE = "cause", "up to {loss_db:.1f} dB of highs are lost (limit {limit_db:g} dB)"
    SPEECH = "cause", "speech transmission falls to {index:.2f} (goal {goal:.2f})"
    COVERAGE = "cause", "{share_pct:.0f} % of the seats lie outside the coverage"
    SHADOW = "cause", "its seats are hidden from the mains"
    NEEDED = "need", "{where}{beside}: {what} needed from {from_x_m:g} m, because {causes}."
    NOT_NEEDED = "need", (
        "{where}{beside}: no fill needed: its weakest row lies {away_db:.1f} dB {side} the profile "
        "and loses {loss_db:.1f} dB of highs (limits {limit_db:.0f} and {highs_limit_db:g} dB)"
        "{speech}.")
    CLEAR = "cause", "; its speech transmission is at least {index:.2f} (goal {goal:.2f})"
    NOT_NEEDED_FEW = "need", _MOST + ", which is the 90 % asked for. {short} short: {causes}."
    NOT_NEEDED_FAINT = "need", (
        _MOST + ". {short} short: {causes}; that is {lacking:.2f} just noticeable steps on "
        "average, less than the {worth:g} that can be heard.")

    NOTHING_SOUNDS = "summary", "No fill sounds in this plan."
    SOUNDING = "summary", "Fills that sound: {outputs}."
    SPREAD = "summary", _SPREAD + " and {after_db:.1f} dB with the fills."
    SPREAD_ALONE = "summary", _SPREAD + "."
    NEARLY = "summary", (
        "{where}: with the fills {served_pct:.0f} % of its rows get level, tone and speech; what "
        "the others lack, {lacking:.2f} just noticeable steps on average, is less than the "
        "{worth:g} that can be heard, and counts as met.")
    RELIEF = "summary", (
        "For the same level at the back row the mains may come down by {lift_db:.1f} dB; the "
        "front row then gets {relief_db:z.1f} dB less. Gain before feedback won: {won_db:z.1f} dB.")
    RELIEF_NONE = "summary", (
        "The fills bring the last row no level: for the same level there the mains stay as they "
        "are.")
    BACK_SPEECH = "summary", (
        "Speech transmission, row at {x_m:.0f} m{of}: {before:.2f} without, {after:.2f} with the "
        "fills.")
    HARM = "summary", (
        "Harm: the fills cost up to {loss:.2f} of speech transmission (row at {x_m:.0f} m{of}: "
        "{before:.2f} without, {after:.2f} with; {step:g} is just noticeable).")
    LEVEL_IS_NO_LIMIT = "summary", _LOWEST + ", so level is not what limits it."
    DECAY_LIMITS = "summary", (
        _LOWEST + ", so level is not what limits it and the decay of {rt60_s:.1f} s rules.")
    NOISE_LIMITS = "summary", _LOWEST + ": noise limits it."
    MASKING_LIMITS = "summary", _LOWEST + ": loud bands mask the ones above them."
    BACK_GOAL = "summary", (
        "The back row's goal of {goal_dba:.1f} dBA takes {without_db:+z.1f} dB on the mains "
        "without fills and {with_db:+z.1f} dB on everything with them.")

    DELAY = "reason", (
        "Delay {delay_ms:.2f} ms is the {rule} answer, {answer_ms:.2f} ms, with a margin of "
        "{margin_ms:+z.2f} ms (asked for: {asked_ms:g} ms). The answers without margin: box to box "
        "{box_to_box_ms:.2f} ms, equal level {equal_level_ms:.2f} ms, never early "
        "{never_early_ms:.2f} ms.")
    EQUAL_SEATS = "reason", (
        "Where both are equally loud within {within_db:g} dB it comes {least_ms:.1f} to "
        "{most_ms:.1f} ms after the mains ({seats} seats): no one delay gives all of them the "
        "same.")
    DEVICE_TOO_SHORT = "reason", (
        "Its device delays by at most {most_ms:g} ms, which is too little for that.")
    EARLY = "reason", (
        "At the worst seat that counts the fill comes {early_ms:.1f} ms before the mains.")
    EARLY_WHEN_COLD = "reason", (
        "In the coldest air planned, {coldest_c:.0f} C, it would come {early_ms:.1f} ms before the "
        "mains there: re-time {where} on the way.")
    BOX_TO_BOX_IN_FRONT = "reason", (
        "Box to box suits seats behind the box, in line with the mains. The seats of a front fill "
        "are not: there it comes {beyond_ms:.1f} ms later than they want. The equal-level rule, or "
        "a locked delay, would suit it better.")
    DELAY_LOCKED = "reason", "The file locks this delay."
    UNCERTAIN = "reason", (
        "Standard uncertainty of the delay {total_ms:.2f} ms (in ms: {parts}): the {largest} "
        "counts most.")
    UNCERTAIN_IF = "reason", "That holds if this is as the file assumes: {assumed}."
    UNCERTAIN_PART = "cost", "{where} {part_ms:.2f}"
    MIRRORED = "reason", "It mirrors {other}: one decision, with the later of the two delays."
    PARTED = "reason", (
        "It mirrors {other}, but their seats want delays more than 1 ms apart: each has its own.")
    OFF_NOT_NEEDED = "reason", "The output stays off: its rows need no help."
    OFF_BARRED = "reason", "The output stays off, since {bound} leaves it no trim."
    OFF_NOT_WORTH = "reason", (
        _OFF + "the best trim within its bounds, {trim_db:+z.1f} dB, would leave {missing:.2f} and "
        "cost other rows {elsewhere:.2f}, which nobody would hear.")
    OFF_BOUND = "reason", (
        _OFF + "{trim_db:+z.1f} dB would leave {missing:.2f} and cost other rows {elsewhere:.2f}, "
        "which nobody would hear, and {bound} forbids the louder trims that would do better.")
    OFF_USELESS = "reason", (
        "The output stays off: its rows lack {without:.2f} just noticeable steps on average, and "
        "no trim within its bounds makes that less by more than it costs other rows.")
    OFF_WOULD_HELP = "reason", (
        "The output is off: its rows lack {without:.2f} just noticeable steps on average; at "
        "{trim_db:+z.1f} dB and {delay_ms:.2f} ms they would lack {missing:.2f}, and other rows "
        "{elsewhere:.2f} more.")
    OFF_LOCKED = "reason", "The output stays off: the file locks it."
    TRIM_LOCKED = "reason", "The file locks this trim at {trim_db:+z.1f} dB."
    TRIM_ENOUGH = "reason", (
        "Trim {trim_db:+z.1f} dB is the smallest with which 90 % of the covered rows get level, "
        "tone and speech: {served_pct:.0f} % do.")
    TRIM_SOFTER = "reason", (
        "With {trim_db:+z.1f} dB {served_pct:.0f} % of the covered rows get level, tone and "
        "speech; {needed_db:+z.1f} dB is the smallest with which the 90 % asked for do.")
    TRIM_BOUND = "reason", (
        "Trim {trim_db:+z.1f} dB: {bound} forbids the louder ones that would do better. The "
        "covered rows lack {missing:.2f} just noticeable steps on average ({without:.2f} without "
        "the fill).")
    TRIM_LEAST = "reason", (
        "No trim within its bounds gives 90 % of the covered rows level, tone and speech. "
        "{trim_db:+z.1f} dB is set: the covered rows lack {missing:.2f} just noticeable steps on "
        "average ({without:.2f} without the fill).")
    TRIM_COST = "reason", (
        "Trim {trim_db:+z.1f} dB: the covered rows lack {missing:.2f} just noticeable steps on "
        "average ({without:.2f} without the fill), and other rows lose {elsewhere:.2f} for each of "
        "them. With {louder_db:+z.1f} dB, within its bounds, that would be {louder:.2f} and "
        "{louder_elsewhere:.2f}, and {served_pct:.0f} % of the covered rows served: in all "
        "{verdict}.")
    TRIM_BOUNDS = "reason", "Bounds of its trim, at this delay: {bounds}."
    TRIM_BOUND_AT = "cost", "{bound} {most_db:+z.1f} dB"
    WORDS_FIRST = "reason", (
        "Words come before the image here: the precedence table would allow {image_db:+z.1f} dB at "
        "nine in ten seats, and the mains do not serve these rows. The image may leave the stage.")
    NO_KIND_IN_COMMON = "reason", (
        "No low cut: the devices of this row of fills offer none in common.")
    LOW_CUT = "reason", (
        "Low cut {corner_hz:.0f} Hz is the highest that loses at most 1 dB in any third octave of "
        "the covered area ({costs}).")
    LOW_CUT_COST = "cost", "{corner_hz:.0f} Hz costs {loss_db:z.2f} dB"
    LOW_CUT_OFFER = "offer", "{corner_hz:.0f} Hz ({loss_db:z.2f} dB)"
    LOW_LIMIT_FIRST = "reason", (
        "No low cut: the usual corners that keep the lows within 1 dB lie below the box's own low "
        "limit.")
    NO_LOW_CUT = "reason", (
        "No usual low cut keeps the lows within 1 dB here: they come from the fill as much as from "
        "the mains. Practice would take {offers}.")
    LOW_CUT_SET = "reason", "Set is {corner_hz:.0f} Hz: " + _SET_OTHERWISE
    LOW_CUT_SET_NONE = "reason", "Set is none: " + _SET_OTHERWISE
    SHELF_BETTER = "reason", (
        "Shelf set {shelf_db:+z.1f} dB; {better_db:+z.1f} dB would bring the highs nearest the "
        "reference tone within the limits.")
    SHELF_NONE_BETTER = "reason", (
        "Shelf set {shelf_db:+z.1f} dB; none would keep the highs nearest the reference tone "
        "within the limits.")
    SHELF = "reason", (
        "Shelf {shelf_db:+z.1f} dB from {shelf_hz:.0f} Hz brings the highs to the reference tone "
        "as nearly as the limits allow.")
    NO_SHELF = "reason", (
        "No shelf: the highs are within 1 dB of the reference tone, lie above it, or the box has "
        "no headroom for one.")

    RETIMED = "change", (
        "Compared with the plan re-timed for the air found, {temperature_c:.1f} C and "
        "{humidity_pct:.0f} %.")
    AS_PLANNED = "change", "Every output is set as planned."
    NOTHING_FILLED_IN = "change", "Nothing is filled in yet: what is blank is taken as planned."
    FILLED_AS_PLANNED = "change", "What is filled in is set as planned."
    BLANK = "change", "Blank, so taken as planned: {outputs}."
    DELAY_CHANGED = "change", (
        "{where}: delay {away_ms:.2f} ms {more} than planned ({set_ms:.2f} for {planned_ms:.2f} "
        "ms): {effects}.")
    TRIM_CHANGED = "change", (
        "{where}: trim {away_db:.1f} dB {more} than planned ({set_db:+z.1f} for {planned_db:+z.1f} "
        "dB): {effects}.")
    SWITCHED_OFF = "change", "{where}: off, where {planned_db:+z.1f} dB is planned: {effects}."
    SWITCHED_ON = "change", "{where}: {set_db:+z.1f} dB, where it is planned off: {effects}."
    OTHER_CHANGED = "change", "{where}: {what} {set} for {planned} as planned: {effects}."
    EFFECT_ECHO = "effect", "at {seats} of {all} seats an echo"
    EFFECT_ECHO_LESS = "effect", "at {seats} of {all} seats no echo any more"
    EFFECT_IMAGE = "effect", "at {seats} of {all} seats the image leaves the stage"
    EFFECT_IMAGE_LESS = "effect", "at {seats} of {all} seats the image comes back to the stage"
    EFFECT_SHORT = "effect", _ROWS + "up to {short_db:.1f} dB short ({before:.1f} as planned)"
    EFFECT_LOUDER = "effect", _ROWS + "up to {louder_db:.1f} dB louder"
    EFFECT_DULL = "effect", _ROWS + "lose up to {loss_db:.1f} dB of highs ({before:.1f} as planned)"
    EFFECT_SPEECH = "effect", (
        "speech transmission at {from_x_m:g} to {to_x_m:g} m{of} down to {index:.2f} ({before:.2f} "
        "as planned)")
    EFFECT_NONE = "effect", (
        "no difference beyond the limits that this plan checks (image, echo, level, tone, speech)")

    READ_MAINS = "reading", (
        _AT + "the mains read {read_dba:.1f} dBA, {away_db:.1f} "
        "dB {more} than expected: the noise, or the mains' level at 1 m, is not as in the file.")
    READ_LEVEL = "reading", (
        _LESS + "{away_db:.1f} dB {more} than expected as set ({read_db:+z.1f} for "
        "{expected_db:+z.1f} dB): {turn} the trim by {by_db:.1f} dB, to what is planned: set "
        "{set_db:.1f} instead of {own_db:.1f} dB.")
    READ_AS_EXPECTED = "reading", (
        _LESS + "{read_db:+z.1f} dB, {away_db:.1f} dB {more} than expected as set: leave it.")
    READ_SLIP = "reading", (
        _LESS + "{read_db:+z.1f} dB where {expected_db:+z.1f} is expected as set. More than "
        "{limit_db:g} dB is a slip, or a box that is not on or not aimed: read again. This sheet "
        "does not use it.")
    READ_BOTH = "reading", (
        _AT + "both read {both_dba:.1f} dBA, where the two alone make {least_dba:.1f} to "
        "{most_dba:.1f} dBA (in step). That cannot be with the same noise: read again.")
    READ_GAP = "reading", (
        _GAP + " ({expected_ms:+z.2f} expected as set): {turn} {by_ms:.2f} ms, to the planned gap: "
        "set {set_ms:.2f} instead of {own_ms:.2f} ms.")
    READ_GAP_LONG = "reading", (
        _GAP + " ({expected_ms:+z.2f} expected as set), {by_ms:.2f} ms late with {own_ms:.2f} ms "
        "set: look for a delay that is in twice. If there is none, set 0 and hold the mains back "
        "by {back_ms:.2f} ms.")
    READ_OFF = "reading", (
        _AT + "the plan leaves this fill off; a reading of it asks for no trim and no delay.")
    READ_GAP_RIGHT = "reading", _GAP + ", as planned within 0.1 ms."
    READ_TURNED = "reading", (
        _AT + "the recording finds fill and mains of opposite "
        "polarity: look at cable and switch before you turn it over.")

    LATE = "unmet", (
        "{where}: its path is already {late_ms:.2f} ms too late for its rule, and no delay goes "
        "below 0. Look first whether its place and its side are right; {late_ms:.2f} ms more of "
        "hold-back on the mains, inherited by every other output, would bring it to its rule.")
    OVER_MAXIMUM = "unmet", (
        "{where}: trim and shelf together ask for {over_db:.1f} dB more than its boxes give; so "
        "much less trim would mend it.")
    SHORT = "unmet", (
        "{where}: {served_pct:.0f} % of its rows get level, tone and speech (target 90 %), from "
        "{from_x_m:g} m on it is short: {causes}.")
    NOT_COVERED = "unmet", (
        "{where}: {what} still needed from {from_x_m:g} m, because {causes}; no fill that sounds "
        "covers it.")
    COSTS = "unmet", (
        "{where}: the mains alone serve it, but the fills cost it {costs}. It is short from "
        "{from_x_m:g} m on.")
    COST_LEVEL = "cost", (
        "level (worst row {before:.1f} dB below the profile without them, {after:.1f} dB with; "
        "limit {limit:g} dB)")
    COST_TONE = "cost", (
        "highs (worst row {before:.1f} dB lost without them, {after:.1f} dB with; limit {limit:g} "
        "dB)")
    COST_SPEECH = "cost", (
        "speech transmission (worst row {before:.2f} without them, {after:.2f} with; goal "
        "{limit:.2f})")
    IMAGE_LOST = "unmet", (
        "{where}: at {broken} of {heard} seats that hear it the image leaves the stage (precedence "
        "table), worst in the area {area} at x {x_m:.1f}, y {y_m:.1f} m (gap {gap_ms:.1f} ms, fill "
        "over main {over_db:+z.1f} dB, limit {limit_db:+z.1f} dB).")
    ECHO = "unmet", (
        "{seats} seats that hear a fill exceed the echo criterion of {limit:g}, worst {worst:.2f} "
        "in the area {area} at x {x_m:.1f}, y {y_m:.1f} m.")
    MAINS_SHORT = "unmet", _MAINS + "{short_db:+z.1f} dB, or a stronger system, would meet it."
    MAINS_LOUD = "unmet", _MAINS + "{short_db:+z.1f} dB would meet it."
    MAIN_AT_MAXIMUM = "unmet", (
        "{where} is at its maximum level, {behind_db:.1f} dB behind the other mains: their balance "
        "has shifted; a stronger box there, or less level, would keep it.")
    BACK_SHORT = "unmet", (
        "The back row gets {level_dba:.1f} dBA, not {goal_dba:.1f} dBA: {short_db:+z.1f} dB on all "
        "outputs would meet it.")

    CURE = "cure", (
        "{where}: with {what} its rows would lack {missing:.2f} just noticeable steps instead of "
        "{before:.2f}, and {served_pct:.0f} % of them be served instead of {served_before_pct:.0f} "
        "%; seats where the image leaves the stage: {lost} instead of {lost_before}.")
    TRY_PLACES = "cure", (
        "{where}: its boxes were tried a few metres away only; `propose_places`, or `fillalign "
        "places` with the file and this area, plans with every place that they could hang at.")
    NO_CURE = "cure", "{where}: none of these would mend it: {tried}. What is to blame is {blame}."

    FEET = "doubt", (
        "The room is {length_m:.0f} x {width_m:.0f} x {height_m:.0f} m and decays in {rt60_s:.1f} "
        "s: by Sabine its surfaces would absorb {absorption:.2f} on average, as hardly any room "
        "does. Look whether these are feet.")
    SWAPPED = "doubt", (
        "{where}, a main, hangs {apart_m:.1f} m deeper than {other}, a {role}: look whether a main "
        "and a fill are swapped.")
    SAME_PLACE = "doubt", "At one and the same point: {where} and {others}. Look where they hang."
    AIMS_AWAY = "doubt", (
        "Aimed away from what is covered, {covers}: {boxes}. Of the seats there {outside_pct:.0f} "
        "% lie outside the nominal angles.")
    WRONG_SIDE = "doubt", (
        "{where} hangs and aims at y {y_m:+.1f} m, and {covers} has seats from y {from_y_m:+.1f} "
        "to {to_y_m:+.1f} m: is the sign of y right? It is positive to the left as seen from the "
        "stage.")

    HEARING_LOUD = "caution", (
        "Hearing: up to {level_dba:.1f} dBA is predicted at a seat, above the {limit_dba:g} dBA of "
        "this venue's caution. " + _HEARING)
    READING_FAR = "caution", (
        "{where}: the reading at x {x_m:.1f}, y {y_m:.1f} m moves the model by {shift_db:+z.1f} "
        "dB. Look into it before it is relied on: a reading takes this output alone, at trim 0.")
    RIGGING = "caution", (
        "Overhead loads are for qualified riggers with rated hardware and a secondary safety, "
        "under local codes.")
    MAINS_POWER = "caution", "Mains power, and power outdoors above all, is for licensed people."
    LASER = "caution", "Use a laser of class 2 at most and never point it at eyes."
    TOWERS = "caution", (
        "Towers and stands: keep to their engineer's or maker's wind limit, watch an anemometer, "
        "keep escape routes clear and cables covered.")
    HEARING = "caution", (
        "Hearing: at most {level_dba:.1f} dBA is predicted at a seat. " + _HEARING)

    READING = "assumption", (
        "{where}: levels follow the reading at x {x_m:.1f}, y {y_m:.1f}, z {z_m:.1f} m ({state}), "
        "{shift_db:+z.1f} dB from the model.")
    TRIM_ZERO = "assumption", (
        "Trim 0 dB is the level at 1 m that the venue file states, with pink noise.")
    LENGTHS = "assumption", (
        "Delays in m and ft hold for the air above. A device that reckons lengths with a speed of "
        "its own takes the ms or the samples.")
    SHELF_SLOPE = "assumption", (
        "A shelf is a second-order high shelf, slope 1: half its gain lies at the corner.")
    ESTIMATES = "assumption", (
        "Predictions are estimates: listen and measure before an audience comes in.")
    SUBS = "assumption", (
        "Subs are aligned to the tops before this plan and are no fill's reference.")
    ROOM_MODEL = "assumption", (
        "The room follows Barron and Lee's revised theory: no single echo or focus is modelled.")
    ASSUMED = "assumption", "{where}: assumed, not measured or looked up: {keys}."
    NO_NOISE = "assumption", (
        "No noise is given (noise_db in the goals): speech transmission is told for silence.")
    NEED_RULE = "assumption", (
        "A fill is called for where fewer than {served_pct:.0f} % of an area's rows get level, "
        "tone and speech, and those that do not lack at least {worth:g} of a just noticeable step "
        "on average: a step is 1 dB of level beyond {short_db:g} dB below the profile, 1 dB of "
        "highs beyond the limit, {index:g} of speech transmission below the goal.")
    REFERENCE = "assumption", (
        "The reference is the mean over {rows}, at x {from_x_m:.1f} to {to_x_m:.1f} m{how}.")
    EVERY_SEAT = "assumption", "Every seat counts in the decisions and in the checks."
    SHARE_OF_SEATS = "assumption", (
        "Decisions rest on an even share of {deciding} of the {seats} seats; the checks cover all.")
    DEFAULT = "default", "{text}"


@dataclass(frozen=True, eq=False)
class Finding(ByValue):
    """Something that a plan found: its kind, the output or area it is about, its numbers.

    `str()` gives the sentence. A value may hold findings that the sentence lists.

    Examples
    --------
    >>> print(Finding(Kind.EARLY, "Fill 1", {"early_ms": 3.21}))
    At the worst seat that counts the fill comes 3.2 ms before the mains.
    """

    kind: Kind
    where: str = ""
    values: Mapping[str, Any] = field(default_factory=dict)

    def __str__(self) -> str:
        """Return the sentence."""
        shown = {name: _listed(part) if isinstance(part, tuple) else part
                 for name, part in self.values.items()}
        return self.kind.sentence.format(where=self.where, **shown)


def _listed(parts: tuple[Any, ...]) -> str:
    """Return what stands in a list inside a sentence."""
    first = parts[0] if parts else ""
    joint = _JOINTS[first.kind.group] if isinstance(first, Finding) else ", "
    return joint.join(map(str, parts))


def sentences(findings: Iterable[Finding], *groups: str) -> tuple[str, ...]:
    """Return the sentences of the findings in some groups, in their order."""
    return tuple(str(one) for one in findings if one.kind.group in groups)
