"""The voice of a talk: Opus packets (RFC 6716) out of the WebM streams that a browser records, and into one file.

Nothing is decoded: sections are cut and joined between packets, of 2.5 to 120 ms each, and what is missing between them
is filled with silence. The file has a length and an index (cues), so that players can seek in it; those of browsers'
recorders have neither.
"""

from __future__ import annotations

import io
import struct
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from ossicle.errors import OssicleError

__all__ = ["SILENCE", "Packet", "Voice", "joined", "packet_ms", "taken", "voice_of", "webm"]

SILENCE = b"\xf8\xff\xfe"
"""20 ms of silence, one channel, CELT only, full band: what the reference encoder makes of zeros (RFC 6716)."""
_SILENT_MS = 20.0
_GAP_MS = 30.0
"""Gaps below this are jitter of time stamps, and are let be."""
_CLUSTER_MS = 5000
_FRAME_MS = (
    *((10.0, 20.0, 40.0, 60.0) * 3),
    *((10.0, 20.0) * 2),
    *((2.5, 5.0, 10.0, 20.0) * 4),
)
"""Length of a frame by the configuration in a packet's first byte (RFC 6716, table 2)."""


@dataclass(frozen=True)
class Packet:
    """One packet and when it sounds, ms from the beginning."""

    at_ms: float
    data: bytes

    @property
    def end_ms(self) -> float:
        """When it has sounded."""
        return self.at_ms + packet_ms(self.data)


@dataclass(frozen=True)
class Voice:
    """Packets in order of time, and the codec's header (``OpusHead``, RFC 7845)."""

    head: bytes
    packets: tuple[Packet, ...]

    @property
    def end_ms(self) -> float:
        """When the last packet has sounded."""
        return self.packets[-1].end_ms if self.packets else 0.0


def packet_ms(data: bytes) -> float:
    """Return how long a packet sounds, ms (RFC 6716, section 3.1 and 3.2)."""
    if not data:
        return 0.0
    count = (1, 2, 2, (data[1] & 0x3F) if len(data) > 1 else 0)[data[0] & 3]
    return _FRAME_MS[data[0] >> 3] * count


@lru_cache(maxsize=1)
def _schema() -> Any:
    import ebmlite

    return ebmlite.loadSchema("matroska.xml")


def voice_of(data: bytes, where: str = "voice") -> Voice:
    """Return the packets of a recorded WebM stream; one that was cut off is taken as far as it goes.

    Raises
    ------
    OssicleError
        It holds no Opus.
    """
    head, packets = b"", []
    try:
        for top in _schema().load(io.BytesIO(data)):
            if top.name != "Segment":
                continue
            scale = 1_000_000
            for part in top:
                if part.name == "Info":
                    scale = int(part.dump().get("TimecodeScale", scale))
                elif part.name == "Tracks":
                    head = _opus_head(part.dump())
                elif part.name == "Cluster":
                    packets += _cluster(part, scale / 1e6)
    except (OSError, ValueError, KeyError, IndexError, TypeError, AttributeError, struct.error) as error:
        if not packets:
            raise _no_opus(where) from error
    if not head:
        raise _no_opus(where)
    return Voice(head, tuple(sorted(packets, key=lambda p: p.at_ms)))


def _no_opus(where: str) -> OssicleError:
    return OssicleError("this recording holds no voice in Opus", where=where, mend="take that section again")


def _opus_head(tracks: dict[str, Any]) -> bytes:
    entries = tracks.get("TrackEntry", [])
    for entry in entries if isinstance(entries, list) else [entries]:
        if entry.get("CodecID") == "A_OPUS":
            return bytes(entry.get("CodecPrivate", b""))
    return b""


def _cluster(cluster: Any, ms: float) -> list[Packet]:
    start, out = 0, []
    try:
        for part in cluster:
            if part.name == "Timecode":
                start = int(part.value)
            elif part.name == "SimpleBlock":
                block = bytes(part.value)
                if len(block) < part.size:
                    break  # cut off
                # Track number (one byte, as there is one track), time from the cluster's, flags without lacing.
                (after,) = struct.unpack(">h", block[1:3])
                if len(block) > 4 and block[0] == 0x81 and not block[3] & 0x06:
                    out.append(Packet((start + after) * ms, block[4:]))
    except (OSError, ValueError, IndexError, TypeError, struct.error):
        pass  # cut off within the cluster: what came before is whole
    return out


def taken(voice: Voice, from_ms: float, to_ms: float | None) -> Voice:
    """Return the packets that begin in a stretch, from its first one on; times stay as they are."""
    end = float("inf") if to_ms is None else to_ms
    return Voice(voice.head, tuple(p for p in voice.packets if from_ms <= p.at_ms < end))


def joined(sections: Sequence[tuple[float, float, Voice | None]]) -> Voice | None:
    """Return one voice of sections, silence where none sounds; None where there is no voice at all.

    Parameters
    ----------
    sections
        For each, where it begins in the whole, how long it is (ms), and its voice (times from the section's beginning).
    """
    head = next((v.head for _, _, v in sections if v is not None and v.packets), None)
    if head is None:
        return None
    packets: list[Packet] = []
    now = 0.0
    for start, length, voice in sections:
        for p in voice.packets if voice is not None else ():
            if p.at_ms >= length:
                break
            at = max(now, start + p.at_ms)
            now = _filled(packets, now, at)
            packets.append(Packet(now, p.data))
            now += packet_ms(p.data)
        now = _filled(packets, now, start + length)
    return Voice(head, tuple(packets))


def _filled(packets: list[Packet], now: float, until: float) -> float:
    """Fill a gap with silence; return when the next packet sounds."""
    if until - now < _GAP_MS:
        return now
    while until - now >= _SILENT_MS:
        packets.append(Packet(now, SILENCE))
        now += _SILENT_MS
    return now


def webm(voice: Voice) -> bytes:
    """Return a voice as a WebM file with length and cues."""
    schema = _schema()

    def encoded(name: str, value: Any) -> bytes:
        out = io.BytesIO()
        schema.encode(out, {name: value})
        return out.getvalue()

    head = encoded(
        "EBML",
        {
            "EBMLVersion": 1, "EBMLReadVersion": 1, "EBMLMaxIDLength": 4, "EBMLMaxSizeLength": 8, "DocType": "webm",
            "DocTypeVersion": 4, "DocTypeReadVersion": 2,
        },
    )  # fmt: skip
    info = encoded(
        "Info",
        {"TimecodeScale": 1_000_000, "Duration": float(voice.end_ms), "MuxingApp": "Ossicle", "WritingApp": "Ossicle"},
    )
    channels = voice.head[9] if len(voice.head) > 9 else 1
    track = {
        "TrackNumber": 1, "TrackUID": 1, "TrackType": 2, "CodecID": "A_OPUS", "CodecPrivate": voice.head,
        "Audio": {"SamplingFrequency": 48000.0, "Channels": channels},
    }  # fmt: skip
    tracks = encoded("Tracks", {"TrackEntry": [track]})
    clusters: list[tuple[int, bytes]] = []
    some: list[Packet] = []
    for p in (*voice.packets, None):
        if some and (p is None or round(p.at_ms) - round(some[0].at_ms) >= _CLUSTER_MS):
            start = round(some[0].at_ms)
            blocks = [struct.pack(">BhB", 0x81, round(s.at_ms) - start, 0x80) + s.data for s in some]
            clusters.append((start, encoded("Cluster", {"Timecode": start, "SimpleBlock": blocks})))
            some = []
        if p is not None:
            some.append(p)
    # Cues stand before what they point at, so their own size counts; it settles at once or twice.
    cues, size = b"", -1
    while len(cues) != size:
        size, at, points = len(cues), len(info) + len(tracks) + len(cues), []
        for start, data in clusters:
            points.append({"CueTime": start, "CueTrackPositions": {"CueTrack": 1, "CueClusterPosition": at}})
            at += len(data)
        cues = encoded("Cues", {"CuePoint": points}) if points else b""
    body = b"".join([info, tracks, cues, *(data for _, data in clusters)])
    # Segment: its id, and its size in eight bytes.
    return head + b"\x18\x53\x80\x67" + (len(body) | 1 << 56).to_bytes(8, "big") + body
