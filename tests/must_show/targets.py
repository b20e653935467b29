"""The targets, one a class of cell: what is read of a report, how it is written, and what meets it.

A cell that misses ends in "!". "-" is a value that there is not: nothing touches, nothing is planted.
"""

from collections.abc import Callable
from dataclasses import dataclass

# Ratios above this say no more than that.
MOST_RATIO = 1000.0
# Volume over time below this is none, cm³ s: the measure's own error at a depth of a tenth of a millimetre.
NO_VOLUME = 0.01


@dataclass(frozen=True)
class Value:
    """What a cell shows, what is compared (larger is worse), and where the worst of it is."""

    text: str
    size: float
    meets: bool
    where: str = ""


@dataclass(frozen=True)
class Target:
    """One column. `read` has the report of a method, that of plain transfer, and the method's name; None where
    there is no such value."""

    column: str
    wanted: str
    what: str
    read: Callable[[dict, dict, str], Value | None]


def frames(first: int, last: int) -> str:
    return f"frame {first}" if first == last else f"frames {first} to {last}"


def at_most(limit: float, size: float, digits: int, where: str = "") -> Value:
    text = f"{size:.{digits}f}"
    # What is shown is what is judged, so that a cell does not contradict itself.
    return Value(text, size, float(text) <= limit, where)


def sole(kind: str, limit: float):
    def read(report: dict, _plain: dict, _method: str) -> Value | None:
        soles = report["soles"]
        if not soles or not soles["planted_frames"]:
            return None
        worst = soles[kind]
        return at_most(limit, worst["mm"], 2, f"{worst['part']}, {frames(worst['first_frame'], worst['last_frame'])}")

    return read


def rest(report: dict, _plain: dict, _method: str) -> Value | None:
    rests = [meeting for meeting in report["meetings"] if meeting["is_rest"]]
    if not rests:
        return None
    worst = max(rests, key=lambda rest: abs(rest["worst_mm"]))
    way = "above" if worst["worst_mm"] > 0 else "below"
    return at_most(1.0, abs(worst["worst_mm"]), 1, f"{worst['touch']}, {way} it, frame {worst['worst_frame']}")


def of_hands(report: dict) -> list[dict]:
    return [meeting for meeting in report["meetings"] if not meeting["is_rest"]]


def gap(report: dict, _plain: dict, _method: str) -> Value | None:
    meetings = of_hands(report)
    if not meetings:
        return None
    worst = max(meetings, key=lambda meeting: abs(meeting["worst_mm"]))
    way = "apart" if worst["worst_mm"] > 0 else "deep"
    where = f"{worst['touch']}, {way}, frame {worst['worst_frame']}"
    return at_most(2.0, abs(worst["worst_mm"]), 1, where)


def kept(report: dict, _plain: dict, _method: str) -> Value | None:
    meetings = of_hands(report)
    if not meetings:
        return None
    count = sum(meeting["is_kept"] for meeting in meetings)
    lost = [meeting for meeting in meetings if not meeting["is_kept"]]
    where = ", ".join(f"{one['touch']} ({frames(one['first_frame'], one['last_frame'])})" for one in lost[:2])
    share = count / len(meetings)
    return Value(f"{count}/{len(meetings)}", 1.0 - share, share >= 0.95, where)


def invented(report: dict, _plain: dict, _method: str) -> Value | None:
    beyond = report["beyond_take"]
    if beyond is None:
        return None
    found = beyond["invented"]
    longest = max(found, key=lambda one: one["last_frame"] - one["first_frame"], default=None)
    where = longest and f"{longest['contact']}, {frames(longest['first_frame'], longest['last_frame'])}"
    return at_most(0.0, len(found), 0, where or "")


def depth(report: dict, _plain: dict, _method: str) -> Value | None:
    beyond = report["beyond_take"]
    if beyond is None:
        return None
    worst = beyond["pairs"][0] if beyond["pairs"] else None
    where = worst and f"{worst['part']} in {worst['other_part']}, frame {worst['worst_frame']}"
    return at_most(2.0, beyond["worst_mm"], 1, where or "")


def volume_cm3_s(report: dict) -> float | None:
    beyond = report["beyond_take"]
    return None if beyond is None else 1e6 * beyond["volume_time_m3_s"]


def volume_change(report: dict, plain: dict, method: str) -> Value | None:
    own, before = volume_cm3_s(report), volume_cm3_s(plain)
    if own is None:
        return None
    shown = f"{own:.0f}" if own >= 10 else f"{own:.2f}"
    if method == "plain transfer":
        return Value(shown, own, True)
    if own < NO_VOLUME:
        return Value(shown, own, True)
    if before < NO_VOLUME:
        return Value(f"{shown} (new)", own, False, "plain transfer has none")
    change = round(100.0 * (own / before - 1.0))
    return Value(f"{shown} ({change:+d} %)", own - before, change <= -98, f"from {before:.2f} to {own:.2f} cm³ s")


def tremor(report: dict, _plain: dict, _method: str) -> Value | None:
    found = report["tremor"]
    if not found or found["energy_ratio"] is None:
        return None
    ratio = found["energy_ratio"]
    where = f"{found['segment']}, frame {found['frame']}; {found['take_rms_per_s2']:.3g} to {found['rms_per_s2']:.3g} /s²"
    if ratio > MOST_RATIO:
        return Value(f">{MOST_RATIO:.0f}", ratio, False, where)
    # Three digits that count: the last of a large ratio is rounding.
    shown = float(f"{ratio:.3g}")
    text = f"{shown:.2f}" if shown < 10 else f"{shown:.0f}"
    return Value(text, ratio, float(text) <= 1.1, where)


def jumps(report: dict, _plain: dict, _method: str) -> Value | None:
    edges = report["edges"]
    if not edges or not edges["edges"]:
        return None
    where = f"{edges['worst_part']}, {edges['worst_deg']:.1f}° in frame {edges['worst_frame']}"
    return Value(f"{edges['jumps']}/{edges['edges']}", edges["worst_deg"], edges["jumps"] == 0, where)


def lag(report: dict, _plain: dict, _method: str) -> Value | None:
    timing = report["timing"]
    if not timing or not timing["limbs"]:
        return None
    return at_most(0.0, abs(timing["shift_frames"]), 0, f"correlation {timing['correlation']:.2f}")


def peaks(report: dict, _plain: dict, _method: str) -> Value | None:
    found = report["peaks"]
    if not found or not found["peaks"]:
        return None
    moved = found["peaks"] - found["unshifted"]
    where = f"{found['worst_limb']}, by {found['worst_shift_frames']} at frame {found['worst_frame']}; {found['lost']} without a peak near"
    return Value(f"{moved}/{found['peaks']}", moved / found["peaks"], moved == 0, where)


def limbs(report: dict, _plain: dict, _method: str) -> Value | None:
    found = report["directions_from_plain"]
    if not found:
        return None
    worst = max(found["segments"], key=lambda segment: segment["mean_deg"])
    return at_most(4.0, found["free_mean_deg"], 1, f"most {worst['segment']}, {worst['worst_deg']:.0f}° in frame {worst['worst_frame']}")


TARGETS = [
    Target("slide", "≤ 0.2 mm", "skin under a planted part, over a whole plant", sole("slide", 0.2)),
    Target("sink", "≤ 1 mm", "skin of a planted foot below the floor", sole("sinking", 1.0)),
    Target("float", "≤ 1 mm", "skin of a planted foot above the floor", sole("floating", 1.0)),
    Target("rest", "≤ 1 mm", "skin of knees, shanks or trunk above or below the floor that they rest on, worst frame", rest),
    Target("gap", "≤ 2 mm", "gap or depth of two skins that touch in the take, worst frame", gap),
    Target("kept", "≥ 95 %", "contacts of the take within 2 mm in every one of their frames", kept),
    Target("invented", "0", "contacts of hands and forearms that the take does not have", invented),
    Target("deep", "≤ 2 mm", "depth of two parts beyond the take's", depth),
    Target("volume", "−98 %", "volume-time beyond the take's, cm³ s, and its change against plain transfer", volume_change),
    Target("fast", "≤ 1.1", "energy of joint accelerations above 6 Hz over the take's", tremor),
    Target("jumps", "0", "edges of contacts at which a joint jumps by more than 1°", jumps),
    Target("lag", "0", "shift of limb speeds against the take, frames", lag),
    Target("peaks", "0", "peaks of limb speed that are not in the take's frame", peaks),
    Target("limbs", "≤ 4°", "mean change of limb directions against plain transfer, where no contact holds the limb", limbs),
]
