"""Voices: packets as another reader sees them, lengths as RFC 6716 has them, joins without a gap, files that seek.

`recorded.webm` was recorded by Debian's chromium from its fake microphone (a beep each half second), paused in
between; what stands in it was told by ffprobe 5.1.
"""

from __future__ import annotations

import json
import shutil
import subprocess
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ossicle.errors import OssicleError
from ossicle.publish.captions import Caption, captions_of, webvtt_text
from ossicle.publish.voice import SILENCE, Packet, Voice, joined, packet_ms, taken, voice_of, webm

RECORDED = Path(__file__).parent / "recorded.webm"


@pytest.fixture(scope="module")
def recorded() -> Voice:
    return voice_of(RECORDED.read_bytes())


def test_packets_are_those_that_ffprobe_sees(recorded: Voice) -> None:
    assert len(recorded.packets) == 91
    assert sum(len(p.data) for p in recorded.packets) == 17343
    assert [p.at_ms for p in recorded.packets[:3]] == [0, 60, 120]
    assert recorded.packets[-1].at_ms == 5405
    assert recorded.head.startswith(b"OpusHead")


@pytest.mark.parametrize(
    ("config", "ms"),
    [(0, 10), (3, 60), (4, 10), (11, 60), (12, 10), (13, 20), (15, 20), (16, 2.5), (19, 20), (28, 2.5), (31, 20)],
)
def test_frames_last_as_the_standard_says(config: int, ms: float) -> None:
    # RFC 6716, table 2; codes of section 3.2: one frame, two, two, and as many as the next byte says.
    assert packet_ms(bytes([config << 3])) == ms
    assert packet_ms(bytes([config << 3 | 1, 0])) == 2 * ms
    assert packet_ms(bytes([config << 3 | 3, 3])) == 3 * ms


def test_silence_lasts_20_ms() -> None:
    assert packet_ms(SILENCE) == 20


@given(st.integers(0, 17000))
def test_a_stream_that_was_cut_off_is_taken_as_far_as_it_goes(cut: int) -> None:
    whole = RECORDED.read_bytes()
    try:
        some = voice_of(whole[:cut]).packets
    except OssicleError:
        assert cut < 150  # the header is not whole
        return
    assert some == voice_of(whole).packets[: len(some)]
    assert cut < 400 or some


def test_sections_are_joined_without_gap_or_overlap(recorded: Voice) -> None:
    first = taken(recorded, 500, 2000)
    shift = first.packets[0].at_ms
    first = Voice(first.head, tuple(Packet(p.at_ms - shift, p.data) for p in first.packets))
    whole = joined([(0, 1500, first), (1500, 1000, None), (2500, 5465, recorded)])
    assert whole is not None
    for a, b in pairwise(whole.packets):
        assert b.at_ms == pytest.approx(a.end_ms)
    # Every packet of the second lies where it should.
    last = whole.packets[-len(recorded.packets) :]
    for p, q in zip(recorded.packets, last, strict=True):
        assert q.data == p.data
        assert q.at_ms == pytest.approx(2500 + p.at_ms, abs=40)
    assert whole.end_ms == pytest.approx(7965, abs=60)
    assert joined([(0, 1000, None)]) is None


def test_a_written_file_holds_the_same_packets(recorded: Voice) -> None:
    again = voice_of(webm(recorded))
    assert again.head == recorded.head
    assert [p.data for p in again.packets] == [p.data for p in recorded.packets]
    assert webm(recorded) == webm(recorded)


@pytest.mark.skipif(shutil.which("ffprobe") is None, reason="ffmpeg is not installed")
def test_another_program_reads_length_and_sound(recorded: Voice, tmp_path: Path) -> None:
    whole = joined([(0, 3000, taken(recorded, 0, 3000)), (3000, 9000, None)])
    assert whole is not None
    file = tmp_path / "v.webm"
    file.write_bytes(webm(whole))
    said = subprocess.run(
        ["ffprobe", "-v", "error", "-show_format", "-of", "json", str(file)], capture_output=True, text=True, check=True
    )
    assert float(json.loads(said.stdout)["format"]["duration"]) == pytest.approx(12, abs=0.1)
    words = ["ffmpeg", "-v", "error", "-i", str(file), "-f", "s16le", "-ac", "1", "-ar", "8000", "-"]
    decoded = subprocess.run(words, capture_output=True, check=True)
    assert decoded.stderr == b""
    assert len(decoded.stdout) / 16000 == pytest.approx(12, abs=0.1)
    assert not any(decoded.stdout[16000 * 8 :])  # what was filled is silent


def test_what_is_no_voice_is_one_sentence() -> None:
    for data in (b"", b"no webm at all", b"\x1a\x45\xdf\xa3\x80"):
        with pytest.raises(OssicleError, match="holds no voice in Opus"):
            voice_of(data)


def test_captions_are_read_as_webvtt() -> None:
    # Cues as in the examples of the standard (W3C WebVTT, section 1.1): identifiers, settings, comments, tags.
    text = (
        "WEBVTT - a title\n\nNOTE a comment\n\nfirst\n00:01.000 --> 00:04.250 align:start\n- Never drink liquid "
        "&amp; <i>nitrogen</i>.\nsecond line\n\n01:00:05.000 --> 01:00:09.000\nlater\n"
    )
    assert captions_of(text, 0) == [
        Caption(1000, 4250, "- Never drink liquid & nitrogen.\nsecond line"),
        Caption(3605000, 3609000, "later"),
    ]


@given(
    st.lists(st.text(st.characters(codec="utf-8", exclude_categories=("C", "Z")), min_size=1, max_size=30), max_size=5)
)
def test_captions_come_back_from_webvtt(said: list[str]) -> None:
    made = [Caption(1000 * n, 1000 * n + 900, text) for n, text in enumerate(said)]
    if made:
        assert captions_of(webvtt_text(made), 0) == made


def test_plain_text_is_spread_by_its_words() -> None:
    made = captions_of("One two. Three four five six.\n\nSeven eight.", 8000)
    assert [(c.from_ms, c.to_ms) for c in made] == [(0, 2000), (2000, 6000), (6000, 8000)]
    assert captions_of("  ", 8000) == []


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("WEBVTT\n\n00:03.000 --> 00:02.000\nbackwards", "ends before it begins"),
        ("WEBVTT\n\nno cue here", "no cue"),
    ],
)
def test_bad_captions_are_one_sentence(text: str, said: str) -> None:
    with pytest.raises(OssicleError, match=said):
        captions_of(text, 0)
