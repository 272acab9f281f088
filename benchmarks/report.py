"""docs/accuracy.md and docs/accuracy.json: what the bench found, failures included."""

from __future__ import annotations

import json
import math
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from .matrix import Matrix
from .pictures import failure_pictures
from .structures import pool
from .summary import calibration_error, reliability, summarise

Record = Mapping[str, Any]
STRUCTURES = """Errors as a share of the truth; the angle in degrees; stapes 1 where wrongly called.
"Given" counts the true values for which the account states one. Square brackets as above.
"""
ROWS = {
    "recall": "recall of teeth",
    "precision": "precision of teeth",
    "locus": "locus right, of all teeth",
    "locus_of_found": "locus right, of found teeth",
    "generation": "generation right, of all",
    "generation_of_found": "generation right, of found",
    "emergence": "emergence right, of all",
    "emergence_of_found": "emergence right, of found",
    "pairs_right": "succession pairs right",
    "pairs_false": "succession pairs false (count)",
    "dice_median": "Dice, whole tooth, median (found teeth)",
    "dice_p10": "Dice, whole tooth, 10th percentile (found teeth)",
    "crypt_recall": "recall of teeth in crypts",
    "crypt_dice_median": "Dice of teeth in crypts, median",
    "enamel_inside_median": "share of a tooth's enamel inside its part, median",
    "enamel_dice_median": "Dice, enamel, median (found teeth)",
    "enamel_dice_p10": "Dice, enamel, 10th percentile (found teeth)",
    "enamel_volume_error_median": "error of the enamel volume as a share of it, median",
    "formula_right": "specimens with the formula right in all quadrants",
    "size_within": "crown length and width within 1 voxel or 1 %",
    "emergence_fraction_error": "mean error of the emergence fraction",
    "pose_error_deg_median": "pose error, median (degrees)",
    "sides_swapped": "specimens with left and right swapped",
    "teeth_invented": "teeth invented (count)",
}
AT_MOST = {"enamel_volume_error_median", "pairs_false", "teeth_invented", "sides_swapped", "pose_error_deg_median"}
HEAD = """# Accuracy

Made by `python -m benchmarks.accuracy`; do not edit by hand. All specimens are invented. Those called
*unseen* come from the bench's own generator (`benchmarks/foreign`), which shares no shapes, tissues or code
with the package's practice specimens. The reading's models learned from other specimens of both generators (other
seeds, same makers), so these figures are of unseen animals but not of an unseen maker: real scans, and models made
by anyone else, may be harder. Square brackets: 95 % bootstrap intervals over specimens.

A true tooth is found when a part is assigned to it one to one with a Dice of at least 0.4. Teeth under 20
voxels in the truth are left out. Dice is over found teeth, since recall already counts the missed ones.
"Of all teeth" counts a missed tooth as wrong. The Dice of enamel is
given where a reading writes `enamel.nii.gz` beside `parts.nii.gz`; the truth is the voxels that are mostly enamel.
"""


def number(v: float | None) -> str:
    """Three decimals at most, blank for not a number."""
    if v is None or math.isnan(v):
        return "–"
    return f"{v:.0f}" if float(v).is_integer() and abs(v) > 1 else f"{v:.3f}"


def verdict(name: str, value: float, bar: float) -> str:
    """Met or missed, with the bar."""
    met = value <= bar if name in AT_MOST else value >= bar
    return f"{'at most' if name in AT_MOST else 'at least'} {bar:g}: {'met' if met else '**missed**'}"


def by_condition(records: Sequence[Record]) -> dict[str, list[Record]]:
    """Records with scores, grouped by condition in order of appearance."""
    out: dict[str, list[Record]] = defaultdict(list)
    for r in records:
        if "score" in r:
            out[r["condition"]].append(r)
    return dict(out)


def table(summary: Mapping[str, Mapping[str, float]], bars: Mapping[str, float]) -> str:
    """Markdown table of one condition."""
    lines = ["| | value | 95 % interval | bar |", "|---|---|---|---|"]
    for key, title in ROWS.items():
        row = summary[key]
        if math.isnan(row["value"]):
            continue
        span = f"[{number(row['low'])}, {number(row['high'])}]" if "low" in row else ""
        bar = verdict(key, row["value"], bars[key]) if key in bars else ""
        lines.append(f"| {title} | {number(row['value'])} | {span} | {bar} |")
    return "\n".join(lines)


def specimens_table(records: Sequence[Record]) -> str:
    """One line a specimen."""
    lines = [
        "| specimen | size | found / true | false | locus | generation | emergence | pairs (false) | Dice "
        "| formula said (true) | s | MB |",
        "|---|---|---|---|---|---|---|---|---|---|---|---|",
    ]
    for r in records:
        s = r["score"]
        dice = summarise([s], draws=1)["dice_median"]["value"]
        formula = f"{r.get('formula_said') or r['status']} ({r.get('formula_true')})"
        if r["status"] == "scored" and s["formula_right"]:
            formula = f"{r['formula_true']} ✓"
        cells = [
            r["specimen"]["name"],
            "×".join(map(str, r["shape_zyx"])),
            f"{s['found']}/{s['true_teeth']}",
            s["false_teeth"],
            s["locus_right"],
            s["generation_right"],
            s["emergence_right"],
            f"{s['pairs_right']}/{s['pairs_true']} ({s['pairs_false']})",
            number(dice),
            formula,
            f"{r.get('seconds') or 0:.0f}",
            f"{r.get('peak_mb') or 0:.0f}",
        ]
        lines.append("| " + " | ".join(map(str, cells)) + " |")
    return "\n".join(lines)


def structures_table(records: Sequence[Record]) -> str:
    """Palate, jaw, ear and measurements, pooled; empty where no truth holds any."""
    pooled = pool([{**row, "specimen": i} for i, r in enumerate(records) for row in r.get("structures", [])])
    if not pooled:
        return ""
    lines = [
        "| | value | true | given | median error | 95 % interval | 90th percentile |",
        "|---|---|---|---|---|---|---|",
    ]
    for p in pooled:
        span = f"[{number(p['low'])}, {number(p['high'])}]" if p["low"] is not None else ""
        cells = [p["section"], p["value"], p["true"], p["given"], number(p["median"]), span, number(p["p90"])]
        lines.append("| " + " | ".join(map(str, cells)) + " |")
    return "\n".join(lines)


def reliability_section(records: Sequence[Record]) -> tuple[str, list[dict[str, float]]]:
    """Table and bins of stated confidence against share right."""
    pairs = [(float(c), bool(ok)) for r in records for c, ok in r["score"]["reliability"]]
    bins = reliability(pairs)
    if not bins:
        return "No confidences were stated.", []
    lines = ["| stated confidence | teeth | mean stated | right |", "|---|---|---|---|"]
    lines += [f"| {b['low']:g}–{b['high']:g} | {b['count']:.0f} | {b['said']:.2f} | {b['right']:.2f} |" for b in bins]
    lines.append(
        "\nRight: the part is a real tooth and its locus and generation are right. "
        f"Mean gap: {calibration_error(bins):.3f}."
    )
    lines.append("\n![Reliability of stated confidence](accuracy/reliability.svg)")
    return "\n".join(lines), bins


def reliability_svg(bins: Sequence[Mapping[str, float]]) -> str:
    """Reliability curve as SVG: stated confidence across, share right up, the diagonal dashed."""

    def px(v: float) -> float:
        return 40 + 220 * v

    def py(v: float) -> float:
        return 250 - 220 * v

    points = " ".join(f"{px(b['said']):.1f},{py(b['right']):.1f}" for b in bins)
    dots = "".join(
        f'<circle cx="{px(b["said"]):.1f}" cy="{py(b["right"]):.1f}" '
        f'r="{2 + min(b["count"], 400) ** 0.5 / 4:.1f}" fill="#0072b2"/>'
        for b in bins
    )
    ticks = "".join(
        f'<text x="{px(v):.0f}" y="266" text-anchor="middle">{v:g}</text>'
        f'<text x="34" y="{py(v) + 4:.0f}" text-anchor="end">{v:g}</text>'
        for v in (0, 0.25, 0.5, 0.75, 1)
    )
    return (
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 280 290" width="420" font-family="sans-serif" '
        'font-size="10"><rect width="280" height="290" fill="white"/>'
        '<rect x="40" y="30" width="220" height="220" fill="none" stroke="#888"/>'
        '<line x1="40" y1="250" x2="260" y2="30" stroke="#888" stroke-dasharray="4 3"/>'
        f'<polyline points="{points}" fill="none" stroke="#0072b2"/>{dots}{ticks}'
        '<text x="150" y="282" text-anchor="middle">stated confidence</text>'
        '<text x="40" y="22">share right (area of dots: number of teeth)</text></svg>\n'
    )


def failures(records: Sequence[Record], folder: Path, pictures: int) -> list[str]:
    """Markdown lines of everything that went wrong, with pictures of the first ``pictures``."""
    lines: list[str] = []
    left = pictures
    for r in records:
        bad = [t for t in r["score"]["teeth"] if t["remark"]]
        false = r["score"]["invented"]
        if not bad and not false and r["status"] == "scored":
            continue
        why = f": {r['message']}" if r.get("message") else ""
        lines.append(f"\n**{r['specimen']['name']}** ({r['condition']}, {r['status']}{why})\n")
        share = max(1, min(left, 3)) if left > 0 else 0
        wanted = (
            [t["label"] for t in bad if "missed" in t["remark"] or "merged" in t["remark"] or "fits" in t["remark"]]
            + [-i["part"] for i in false]
            + [t["label"] for t in bad]
        )
        wanted = list(dict.fromkeys(wanted))[:share]
        shown = failure_pictures(dict(r), wanted, folder, 0.6) if wanted and r["status"] == "scored" else {}
        left -= len(shown)
        for t in bad:
            lines.append(
                f"- {t['jaw']} {t['side']} {t['name']} ({t['emergence']}, {t['voxels']} voxels, "
                f"Dice {t['dice']:.2f}): {t['remark']}"
            )
        for i in false:
            on = (
                f", {i['share_on_it']:.0%} on true label {i['on_true_label']}"
                if i["on_true_label"]
                else ", on no tooth"
            )
            lines.append(
                f"- invented: part {i['part']} called {i['name']} ({i['voxels']} voxels{on}, "
                f"confidence {i['confidence']})"
            )
        lines += [f"\n![{n}](accuracy/{n})" for n in shown.values()]
    return lines


def _kept_over(records: Sequence[Record]) -> str:
    """A sentence on results taken over from an earlier commit, whose reading was the same for them: records of the
    store that were given ``read_at_commit`` by hand."""
    earlier = Counter(str(r["read_at_commit"]) for r in records if "read_at_commit" in r)
    return "".join(
        f" Of these {count} were read with commit {commit}, from which the reading differs only in what does not touch "
        "them."
        for commit, count in sorted(earlier.items())
    )


def write_report(
    records: Sequence[Record], matrix: Matrix, docs: Path, made: Mapping[str, Any], pictures: int = 24
) -> None:
    """Write ``accuracy.md``, ``accuracy.json`` and ``accuracy/`` under ``docs``."""
    groups = by_condition(records)
    (docs / "accuracy").mkdir(parents=True, exist_ok=True)
    for old in (docs / "accuracy").glob("*.png"):
        old.unlink()
    summaries = {c: summarise([r["score"] for r in rs]) for c, rs in groups.items()}
    md = [
        HEAD,
        f"Ossicle {made['version']}, code {made['code']} (commit {made['commit']}), {made['date']}, "
        f"{len(records)} specimens, {sum(r['status'] == 'scored' for r in records)} read, matrix `{made['matrix']}`."
        f"{_kept_over(records)}\n",
    ]
    for c, rs in groups.items():
        md += [
            f"\n## {matrix.titles.get(c, c)}\n",
            f"{len(rs)} specimens, {sum(r['score']['true_teeth'] for r in rs)} teeth.\n",
            table(summaries[c], matrix.bars.get(c, {})),
            "",
            specimens_table(rs),
        ]
    scored = [r for r in records if "score" in r]
    others = structures_table(scored)
    if others:
        md += ["\n## Palate, jaw, ear, measurements\n", STRUCTURES, others]
    text, bins = reliability_section(scored)
    md += ["\n## Does a stated confidence hold?\n", text]
    (docs / "accuracy" / "reliability.svg").write_text(reliability_svg(bins), encoding="utf-8")
    md += [
        "\n## Everything that went wrong\n",
        "Pictures: green outlines the true tooth, orange the parts read as teeth; slices across z, y and x.\n",
        *failures(scored, docs / "accuracy", pictures),
    ]
    lost = [r for r in records if "score" not in r]
    md += [f"- not run: {r['specimen']['name']}: {r.get('message')}" for r in lost]
    (docs / "accuracy.md").write_text("\n".join(md) + "\n", encoding="utf-8")
    slim = [{**r, "folder": None, "read": None, "specimen": {**r["specimen"], "folder": None}} for r in records]
    body = {
        "made_by": dict(made),
        "summary": summaries,
        "reliability": bins,
        "bars": matrix.bars,
    }
    rows = ",\n".join(json.dumps(_plain(r), separators=(",", ":")) for r in slim)
    head = json.dumps(_plain(body), indent=1).removesuffix("\n}")
    (docs / "accuracy.json").write_text(f'{head},\n "specimens": [\n{rows}\n ]\n}}\n', encoding="utf-8")


def _plain(v: Any) -> Any:
    """JSON data without NaN."""
    if isinstance(v, float) and not math.isfinite(v):
        return None
    if isinstance(v, Mapping):
        return {str(k): _plain(x) for k, x in v.items()}
    if isinstance(v, (list, tuple)):
        return [_plain(x) for x in v]
    return v
