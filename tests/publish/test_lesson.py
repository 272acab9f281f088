"""Lessons: drafts say what the account says, descriptions come back as they were, nothing typed gets out as code."""

from __future__ import annotations

import base64
import hashlib
import html
import json
import re
import tomllib
from dataclasses import replace
from importlib.resources import files
from itertools import pairwise
from pathlib import Path

import pygltflib
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ossicle.cli import main
from ossicle.compare import Compared
from ossicle.errors import OssicleError
from ossicle.publish.lesson import handout, lesson_page, stages_of
from ossicle.publish.lesson_text import LessonText, draft, lesson_toml, read_lesson
from ossicle.publish.naming import parts_named
from ossicle.publish.narration import as_text, captions, markdown_html, paragraphs
from ossicle.publish.sheets import Figure, Heading
from ossicle.publish.stage import Stage

WEB = Path(__file__).resolve().parents[2] / "web"


@pytest.fixture(scope="session")
def stages(specimen: Compared) -> dict[str, Stage]:
    return stages_of([specimen, replace(specimen, name="twin")], 9000)


@pytest.fixture(scope="session")
def lesson(specimen: Compared) -> LessonText:
    return draft([specimen, replace(specimen, name="twin")])


def data_of(page: str) -> dict[str, object]:
    found = re.search(r'<script type="application/json" id="lesson-data">(.*?)</script>', page, re.S)
    assert found is not None
    return json.loads(found.group(1))


def test_the_draft_says_what_the_account_says(lesson: LessonText, specimen: Compared) -> None:
    titles = [s.title for s in lesson.steps]
    assert titles[0] == "The skull"
    assert "Teeth and their formula" in titles
    assert any(t.startswith("Hidden in the bone") for t in titles)
    assert titles[-1] == "Beside twin"
    said = "\n".join(p for s in lesson.steps[:-1] for p in paragraphs(s.narration))
    statements = [f.statement for f in specimen.account.findings]
    formula = specimen.account.formula.text
    assert all(p in statements or p == formula for p in said.split("\n"))


def test_a_description_comes_back_as_it_was(lesson: LessonText) -> None:
    assert read_lesson(tomllib.loads(lesson_toml(lesson)), "here") == lesson


@given(st.text(max_size=60), st.text(max_size=60))
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_any_text_comes_back_from_toml(lesson: LessonText, title: str, narration: str) -> None:
    # Surrogates and carriage returns are no text of a TOML file.
    title, narration = (t.encode("utf-8", "ignore").decode().replace("\r", "") for t in (title, narration))
    changed = replace(lesson, steps=(replace(lesson.steps[0], title=title or "x", narration=narration),))
    assert read_lesson(tomllib.loads(lesson_toml(changed)), "here") == changed


@given(st.text(alphabet=st.characters(codec="utf-8", exclude_categories=("C", "Z")), min_size=1, max_size=40))
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_plain_text_is_shown_as_it_is(text: str) -> None:
    shown = re.sub(r"<[^>]+>", "", markdown_html("x " + as_text(text)))
    assert html.unescape(shown).strip() == "x " + text


@pytest.mark.parametrize(
    "text",
    ["# 1", "- a", "+ a", "> a", "1. a", "12) a", "~~~\na", "a\n===", "a\n---", "* a", "a*b*", "<b>", "&lt;", "[a](b)"],
)
def test_what_begins_a_line_is_shown_as_it_is(text: str) -> None:
    shown = re.sub(r"<[^>]+>", "", markdown_html(as_text(text)))
    assert html.unescape(shown).strip() == text


def test_plain_sentences_are_left_as_they_are() -> None:
    text = "In the left upper row I1-I3 (48 %) lie in crypts; 2.9 ± 0.1 mm, so to say: 3/4!"
    assert as_text(text) == text


def test_narration_cannot_run_anything() -> None:
    typed = "<script>alert(1)</script> [a](javascript:alert(1)) ![b](http://example.org/x.png) <img src=x onerror=y>"
    made = markdown_html(typed)
    assert "<script" not in made
    assert "<img" not in made
    assert 'href="javascript' not in made
    assert "<em>root</em>" in markdown_html("*root*")


def test_the_page_holds_everything_and_its_policy_names_it(lesson: LessonText, stages: dict[str, Stage]) -> None:
    page = lesson_page(lesson, stages)
    policy = re.search(r'http-equiv="Content-Security-Policy" content="([^"]+)"', page)
    assert policy is not None
    assert "default-src 'none'" in policy.group(1)
    assert "unsafe" not in policy.group(1)
    (script,) = re.findall(r"<script>(.*?)</script>", page, re.S)
    (style,) = re.findall(r"<style>(.*?)</style>", page, re.S)
    for text in (script, style):
        digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
        assert f"'sha256-{digest}'" in policy.group(1)
    assert not re.findall(r'(?:src|href)="(?!data:)', page)
    data = data_of(page)
    assert len(data["steps"]) == len(lesson.steps)  # type: ignore[arg-type]
    held = pygltflib.GLTF2().load_from_bytes(base64.b64decode(data["specimens"][0]["glb"]))  # type: ignore[index]
    nodes = {n.name for n in held.nodes}
    assert {f"part-{p['part']}" for p in data["specimens"][0]["parts"]} <= nodes  # type: ignore[index]
    assert lesson_page(lesson, stages) == page


def test_a_specimen_named_as_code_is_text(lesson: LessonText, stages: dict[str, Stage]) -> None:
    bad = "</script><script>alert(1)</script><!--"
    stage = next(iter(stages.values()))
    renamed = {bad: replace(stage, specimen=replace(stage.specimen, name=bad))}
    text = replace(lesson, title=bad, note=bad, steps=(replace(lesson.steps[0], title=bad, narration=bad),))
    page = lesson_page(text, renamed)
    assert len(re.findall(r"<script", page)) == 2  # the data and the player
    assert data_of(page)["title"] == bad


def test_steps_show_what_they_say(lesson: LessonText, stages: dict[str, Stage], specimen: Compared) -> None:
    data = data_of(lesson_page(lesson, stages))
    steps = {s["title"]: s for s in data["steps"]}  # type: ignore[attr-defined]
    teeth = {t.part: t for t in specimen.account.teeth}
    upper = steps["The upper teeth"]
    assert {teeth[x["part"]].jaw for x in upper["labels"]} == {"upper"}
    assert all(teeth[p].jaw == "upper" for p in upper["shown"][0]["solid"] if p in teeth)
    assert [s["specimen"] for s in steps["Beside twin"]["shown"]] == [0, 1]


def test_a_slice_takes_away_the_side_of_the_eye(lesson: LessonText, stages: dict[str, Stage]) -> None:
    step = {"title": "cut", "view": "lateral left", "slice": "sagittal", "at_mm": 2.0}
    made = read_lesson({"step": [step, {**step, "view": "lateral right"}]}, "here")
    left, right = data_of(lesson_page(made, stages))["steps"]  # type: ignore[misc]
    # One looks at the left side from +x: what lies beyond x = 2 goes; from the right, what lies before it.
    assert (left["clip"]["normal"], left["clip"]["reach"]) == ([1.0, 0.0, 0.0], 2.0)
    assert (right["clip"]["normal"], right["clip"]["reach"]) == ([-1.0, 0.0, 0.0], -2.0)


def test_captions_are_webvtt() -> None:
    made = captions([("One", "First sentence. Second --> one."), ("Two", "Third & last.")])
    assert made.startswith("WEBVTT\n\n")
    times = re.findall(r"^(\d\d):(\d\d):(\d\d\.\d{3}) --> (\d\d):(\d\d):(\d\d\.\d{3})$", made, re.M)
    assert len(times) == 3
    ends = [[3600 * int(t[k]) + 60 * int(t[k + 1]) + float(t[k + 2]) for k in (0, 3)] for t in times]
    assert all(a < b for a, b in ends)
    assert all(one[1] <= two[0] for one, two in pairwise(ends))
    assert "Second --&gt; one." in made
    assert "Third &amp; last." in made


def test_the_handout_has_a_picture_a_step(lesson: LessonText, stages: dict[str, Stage]) -> None:
    short = replace(lesson, steps=(lesson.steps[0], lesson.steps[-1]))
    blocks = handout(short, stages, size=(180, 100))
    assert [b.text for b in blocks if isinstance(b, Heading)][1:] == ["1. The skull", "2. Beside twin"]
    assert sum(isinstance(b, Figure) for b in blocks) == 3


@pytest.mark.parametrize(
    ("data", "said"),
    [
        ({}, "no step"),
        ({"step": [{"view": "dorsal"}]}, "no title"),
        ({"step": [{"title": "x", "view": "dorsal", "slice": "oblique"}]}, "is no slice"),
        ({"step": [{"title": "x", "view": "dorsal", "beside": ["other"]}]}, "no specimen 'other'"),
        ({"step": [{"title": "x", "view": "dorsal", "absent": ["teeth", "bone"]}]}, "shows nothing"),
        ({"steps": [], "step": [{"title": "x", "view": "dorsal"}]}, "not known here"),
        ({"step": [{"title": "x", "view": "dorsal", "narration": 3}]}, "wrong kind"),
    ],
)
def test_a_bad_description_is_one_sentence(stages: dict[str, Stage], data: dict[str, object], said: str) -> None:
    with pytest.raises(OssicleError, match=re.escape(said)):
        lesson_page(read_lesson(data, "here"), stages)


def test_the_command(folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["--draft", str(tmp_path / "l.toml"), "--captions", str(tmp_path / "l.vtt")]
    assert main(["lesson", str(folder), *words]) == 0
    page = tmp_path / "l.html"
    short = lesson_toml(replace(read_lesson(tomllib.loads((tmp_path / "l.toml").read_text()), "t"), note="mine"))
    (tmp_path / "l.toml").write_text(short)
    more = ["--from", str(tmp_path / "l.toml"), "--out", str(page), "--triangles", "6000"]
    assert main(["lesson", str(folder), *more]) == 0
    assert data_of(page.read_text())["note"] == "mine"
    capsys.readouterr()
    assert main(["lesson", str(folder)]) == 2
    assert "nothing is to be written" in capsys.readouterr().err


def test_the_player_is_built_from_its_sources() -> None:
    page = files("ossicle.publish").joinpath("page")
    sums = json.loads(page.joinpath("source.json").read_text())["sources"]
    assert {"lesson/main.ts", "lesson/show.ts", "lesson/lesson.css", "src/stage/stage.ts"} <= set(sums)
    changed = [n for n, s in sums.items() if hashlib.sha256((WEB / n).read_bytes()).hexdigest() != s]
    assert changed == [], "build the player again: cd web && npx vite build -c lesson/vite.config.ts"
    assert "three" in page.joinpath("licences.txt").read_text()


def test_a_draft_names_parts_as_a_person_would_and_takes_in_all(specimen: Compared) -> None:
    drafted = draft([specimen, replace(specimen, name="twin"), replace(specimen, name="third")])
    labels = [name for step in drafted.steps for name in step.panel.label]
    assert labels
    assert not any(name.isdigit() for name in labels)
    assert all(len(parts_named(specimen.account, [name], "here")) == 1 for name in labels)
    assert [s.title for s in drafted.steps][-3:] == ["Beside twin", "Beside third", "All side by side"]
