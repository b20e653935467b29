"""Measures that published work reports, as they define them, of the same rows."""

from must_show.rows import METHODS, Row

WORDS = """\
Measures that contact-aware and surface-aware retargeting papers report, by their definitions as far as they can
be had here, on our data. The data differ: theirs are human
captures on some ten to thirty stylised humanoids, and learned methods with a ground truth by the same artist; ours are
built-in takes and open captures on creatures with far less human proportions. So the columns may be read against each
other, and only with great care against a paper.

| measure | defined by | here |
|---|---|---|
| penetration rate: limb vertices inside the body, of all limb vertices | Zhang et al., CVPR 2023 (R2ET), arXiv 2303.08658; Ye et al., NeurIPS 2024 (MeshRet), arXiv 2410.20986 | as defined, less vertices inside at rest and with neighbouring parts left out, mean over frames |
| contact kept: frames in which the take's contact is one of the character | the idea of Villegas et al., ICCV 2021, arXiv 2109.07431, whose contacts are vertices of the source's mesh; our takes have none | skins within 2 mm, share of all frames of contact |
| foot skating ratio | Karunratanakul et al., 2023, arXiv 2305.12577 | as defined, bodies scaled to human legs |
| foot skate | Zhang et al., 2018, doi 10.1145/3197517.3201366 | as defined, per second, bodies scaled to human legs |

Not given: joint position errors (MSE, MSE_lc) and the contact error of MeshRet, which need a ground truth or a mesh
of the performer. **Their numbers are left out**: the tables of these papers could not be read when this was written,
and none is quoted from memory. Put them beside these columns from the papers' own tables."""


def mean(numbers: list[float]) -> float | None:
    return sum(numbers) / len(numbers) if numbers else None


def shown(number: float | None, digits: int) -> str:
    return "-" if number is None else f"{number:.{digits}f}"


def lines(name: str, found: dict[Row, dict[str, dict]], rows: list[Row]) -> list[str]:
    def reports(method: str) -> list[dict]:
        return [found[row][method] for row in rows]

    def line(measure: str, digits: int, read) -> str:
        cells = [shown(read(reports(method)), digits) for method in METHODS]
        return f"| {name} ({len(rows)} rows) | {measure} | {' | '.join(cells)} |"

    def rate(of: list[dict]) -> float | None:
        return mean([100.0 * r["penetration"]["mean_penetration_rate"] for r in of if r["penetration"]["on_skin"]])

    def worst_rate(of: list[dict]) -> float | None:
        return mean([100.0 * r["penetration"]["worst_penetration_rate"] for r in of if r["penetration"]["on_skin"]])

    def contact(of: list[dict]) -> float | None:
        met = [one for report in of for one in report["meetings"] if not one["is_rest"]]
        frames = sum(one["last_frame"] - one["first_frame"] + 1 for one in met)
        return 100.0 * sum(one["kept_frames"] for one in met) / frames if frames else None

    return [
        line("penetration rate, mean, %", 2, rate),
        line("penetration rate, worst frame, mean over rows, %", 2, worst_rate),
        line("contact kept, % of frames", 1, contact),
        line("foot skating ratio, %", 1, lambda of: mean([100.0 * r["skating"]["skating_ratio_scaled"] for r in of])),
        line("foot skate, mm/s", 2, lambda of: mean([r["skating"]["zhang_scaled_mm_per_s"] for r in of])),
    ]


def section(found: dict[Row, dict[str, dict]]) -> str:
    groups = {
        "demo scenes": [row for row in found if not row.character],
        "captured clips on the performer": [row for row in found if row.character == "performer"],
        "captured clips on the creatures": [row for row in found if row.character not in ("", "performer")],
    }
    table = [f"| rows | measure | {' | '.join(METHODS)} |", f"|---|---|{'---:|' * len(METHODS)}"]
    for name, rows in groups.items():
        table += lines(name, found, rows)
    return WORDS + "\n\n" + "\n".join(table)
