"""What the fuzz bench and its tests try: texts and small files handed to Ossicle, and whole ones to start from."""

from __future__ import annotations

import io
import json
import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path

from benchmarks.fuzz_accounts import Seeds, account_targets, whole
from benchmarks.fuzz_json import parsed
from benchmarks.fuzz_scans import MEMORY, Target, one_writer, scan_targets


def _as_file(name: str, read: Callable[[Path], object]) -> Target:
    """Return a target that reads its bytes as a file of this name."""
    folder = Path(tempfile.mkdtemp(prefix="ossicle-fuzz-", dir=MEMORY))

    def run(data: bytes) -> object:
        (folder / name).write_bytes(data)
        return read(folder / name)

    return run


def _text(read: Callable[[str], object]) -> Target:
    return lambda data: read(data.decode("utf-8", "replace"))


def request(data: bytes) -> object:
    """Make a request from what came over the wire."""
    from ossicle.collection import request as made

    said = parsed(data)
    if not isinstance(said, dict):
        return None
    kind = said.pop("kind", "agree")
    return made(str(kind), **{str(k): v for k, v in said.items() if str(k) != "kind"})


def terms(data: bytes) -> object:
    """Read catalogue data given by terms."""
    from ossicle.collection.terms import specimen_data

    said = parsed(data)
    return specimen_data({str(k): str(v) for k, v in said.items()}) if isinstance(said, dict) else None


def nexus(data: bytes) -> object:
    """Read a matrix and write it again."""
    from ossicle.publish.matrix import matrix_from_nexus, matrix_to_nexus

    return matrix_to_nexus(matrix_from_nexus(data.decode("utf-8", "replace")))


def deposit_zip(path: Path) -> object:
    """Unpack a deposit and look through it; nothing may lie outside of where it was unpacked."""
    from ossicle.publish.deposit.manifest import faults_of
    from ossicle.publish.deposit.packing import unpacked
    from ossicle.publish.deposit.reading_back import deposited

    with tempfile.TemporaryDirectory(dir=path.parent) as work:
        inside = Path(work, "a", "b")
        inside.mkdir(parents=True)
        try:
            with unpacked(path, inside, 10_000_000) as folder:
                return deposited(folder) if not faults_of(folder) else None
        finally:
            assert [p.name for p in Path(work).iterdir()] == ["a"], "it wrote beside the folder"
            assert [p.name for p in Path(work, "a").iterdir()] == ["b"], "it wrote beside the folder"
            assert {p.name for p in inside.iterdir()} <= {"deposit"}, "it wrote beside the folder"


def events(data: bytes) -> object:
    """Read what changed on the stage during a talk."""
    from ossicle.publish.talk_events import events_of, specimens_of

    return specimens_of(events_of(parsed(data)))


def crate(data: bytes) -> object:
    """Compare a deposit's metadata (RO-Crate) with what lies there."""
    from ossicle.publish.deposit.crate import METADATA
    from ossicle.publish.deposit.verifying import crate_faults

    with tempfile.TemporaryDirectory(dir=MEMORY) as place:
        Path(place, METADATA).write_bytes(data)
        for said in crate_faults(Path(place)):
            said.encode("utf-8")
            assert "\n" not in said
    return None


def voice(data: bytes) -> object:
    """Take the voice out of a browser's recording and put it among silence into a file."""
    from ossicle.publish.voice import joined, taken, voice_of, webm

    heard = voice_of(data)
    whole = joined([(0.0, 1000.0, taken(heard, 0.0, 500.0)), (1000.0, 60_000.0, heard)])
    return None if whole is None else webm(whole)


def captions(data: bytes) -> object:
    """Read captions, or spread plain text over a minute, and write them."""
    from ossicle.publish.captions import captions_of, webvtt_text

    return webvtt_text(captions_of(data.decode("utf-8", "replace"), 60_000.0)).encode()


def _spoken() -> bytes:
    from ossicle.publish.voice import SILENCE, Packet, Voice, webm

    head = b"OpusHead\x01\x01\x38\x01\x80\xbb\0\0\0\0\0"
    return webm(Voice(head, tuple(Packet(20.0 * n, SILENCE) for n in range(30))))


def landmarks(data: bytes) -> object:
    """Read a table of landmarks and tell their shape statistics."""
    from ossicle.compare.analysis import analyse, analysis_charts, analysis_text
    from ossicle.compare.shape import landmarks_csv, landmarks_from_csv

    marks = landmarks_from_csv(data.decode("utf-8", "replace"))
    found = analyse(marks, draws=99)
    json.dumps(found.to_dict(), allow_nan=False)
    return analysis_text(found), landmarks_csv(found.coordinates()), analysis_charts(found)


def scanner(path: Path) -> object:
    """Take the scanner's settings from a sidecar, as the catalogue keeps them."""
    from ossicle.collection.scanner import scanner_settings

    return json.dumps(scanner_settings(path.parent), allow_nan=False, ensure_ascii=False).encode()


def zarr_store(data: bytes) -> object:
    """Read an OME-Zarr store of one piece: the array's metadata and the piece, compressed."""
    from ossicle.scans import load

    told, _, piece = data.partition(b"\n---\n")
    with one_writer(), tempfile.TemporaryDirectory(dir=MEMORY) as place:
        folder = Path(place, "a.ome.zarr")
        (folder / "0" / "c" / "0" / "0").mkdir(parents=True)
        (folder / "zarr.json").write_text(json.dumps(_GROUP))
        (folder / "0" / "zarr.json").write_bytes(told)
        (folder / "0" / "c" / "0" / "0" / "0").write_bytes(piece)
        return load(folder, cache=Path(place, "cache")).array()


_GROUP = {
    "zarr_format": 3, "node_type": "group",
    "attributes": {"ome": {"version": "0.5", "multiscales": [{
        "axes": [{"name": n, "type": "space", "unit": "millimeter"} for n in "zyx"],
        "datasets": [{"path": "0", "coordinateTransformations": [{"type": "scale", "scale": [0.1, 0.1, 0.1]}]}],
    }]}},
}  # fmt: skip


def _small_store() -> bytes:
    import numpy as np
    import zarr

    with tempfile.TemporaryDirectory() as place:
        array = zarr.create_array(Path(place, "a"), shape=(4, 5, 6), chunks=(4, 5, 6), dtype="uint16", fill_value=0)
        array[:] = np.arange(120).reshape(4, 5, 6)
        told = (Path(place, "a") / "zarr.json").read_bytes()
        return told + b"\n---\n" + (Path(place, "a") / "c" / "0" / "0" / "0").read_bytes()


def _small_deposit() -> bytes:
    from ossicle.publish.deposit.manifest import write_manifest
    from ossicle.publish.deposit.packing import pack

    with tempfile.TemporaryDirectory() as place:
        for name, held in whole().few():
            Path(place, name).parent.mkdir(parents=True, exist_ok=True)
            Path(place, name).write_bytes(held)
        write_manifest(Path(place))
        out = io.BytesIO()
        pack(Path(place), out)
    return out.getvalue()


_CRATE = b"""{"@context": "https://w3id.org/ro/crate/1.1/context", "@graph": [
 {"@id": "ro-crate-metadata.json", "@type": "CreativeWork", "about": {"@id": "./"}},
 {"@id": "./", "@type": "Dataset", "hasPart": [{"@id": "a.txt"}]}, {"@id": "a.txt", "@type": ["File"]}]}"""

_EVENTS = b"""[{"t": 0,
 "eye": {"look": [-1, 0, 0], "up": [0, 1, 0], "centre": [0, -2, -20], "extent": 30, "aspect": 1.5},
 "shown": [{"specimen": "1", "solid": [1, 2], "veiled": [3]}], "lift": 0},
 {"t": 900, "clip": null, "slice": null, "named": [], "finding": "formula", "chapter": "Teeth", "pointer": [1, 2]}]"""

_STEP = b"""title = "One"\nnote = "x"\n[[step]]\ntitle = "Teeth"\nview = "dorsal"\nnarration = "*two*"
slice = "sagittal"\nat_mm = 1.5\ntravel = false\nbone = "veiled"\nlabel = ["upper teeth"]\n"""

_LESSON = b"""{"title": "One", "note": "x", "step": [{"title": "Teeth", "view": "dorsal", "narration": "two",
 "notes": "n", "slice": "sagittal", "at_mm": 1.5, "travel": false, "bone": "veiled", "label": ["upper teeth"]}]}"""

_VTT = b"""WEBVTT - a talk

NOTE what is said

1
00:01.500 --> 00:00:04.000 line:90%
<v A. Reader>The <i>first</i> teeth &amp; roots

00:00:05.000 --> 00:00:06.000
They are shed.
"""

_LANDMARKS = b"""specimen,landmark,x,y,z,sex
a,basion,0,0,0,f\na,nasion,0,1,4,f\na,left bulla,2,0,1,f\na,right bulla,-2,0,1,f\na,prosthion,0,0,9,f
b,basion,0,0,0,m\nb,nasion,0,1,5,m\nb,left bulla,2,0,2,m\nb,right bulla,-3,0,1,m\nb,prosthion,0,0,9.5,m
c,basion,0,0,0,m\nc,nasion,0,2,5,m\nc,left bulla,3,0,2,m\nc,right bulla,-3,1,1,m\nc,prosthion,0,0,9.5,m
d,basion,0,0,1,f\nd,nasion,0,2,6,f\nd,left bulla,3,0,2,f\nd,right bulla,-3,1,2,f\nd,prosthion,0,0,8,f
"""

_WIDE = b"""specimen,a_x,a_y,b_x,b_y,c_x,c_y,d_x,d_y
s,0,0,1,0,0,1,3,3\nt,0,0,2,0,0,1,3,4\nu,0,0,2,1,0,1,4,4\nv,0,0,2,0,1,2,4,3\nw,0,0,1,0,1,2,5,3
"""

_NEXUS = b"""#NEXUS
BEGIN TAXA; DIMENSIONS NTAX=2; TAXLABELS a 'b c'; END;
BEGIN CHARACTERS; DIMENSIONS NCHAR=3; FORMAT DATATYPE=STANDARD MISSING=? GAP=- SYMBOLS="012";
 CHARSTATELABELS 1 canine / absent present, 2 'upper M' / none one two, 3 x / a b;
 MATRIX a 01- 'b c' {01}(12)?; END;
BEGIN ASSUMPTIONS; TYPESET * a = ord: 2; END;
BEGIN NOTES; TEXT TAXON=1 CHARACTER=2 TEXT='seen'; END;
"""


def targets() -> dict[str, tuple[Target, Sequence[bytes]]]:
    """Return by name what is tried, and whole inputs to start from."""
    from ossicle.anatomy import ToothName
    from ossicle.anatomy.characters import read_characters
    from ossicle.anatomy.formula_grammar import parse_formula
    from ossicle.collection.files import Layout
    from ossicle.collection.place import catalogue_url
    from ossicle.collection.table import box_from, read_table
    from ossicle.publish.lesson_text import lesson_text
    from ossicle.publish.plate_text import plate_text
    from ossicle.scans import parse_spacing
    from ossicle.scans.sidecar import read_sidecar

    spacing = b'{"spacing_mm_zyx": [0.1, 0.05, 0.05], "mirrored": false, "shape_zyx": [3, 4, 5], "type": "uint16"}'
    return {
        "sidecar-json": (_as_file("scan.json", read_sidecar), [spacing]),
        "sidecar-toml": (_as_file("scan.toml", read_sidecar), [b'spacing_um = 50.0\ngrey_unit = "HU"\nrows = 3\n']),
        "sidecar-text": (_as_file("scan.txt", read_sidecar), [b"Spacing mm = 0.05\nmirrored = yes\ncolumns: 5\n"]),
        "table": (
            _as_file("t.csv", read_table),
            [b'source,catalogNumber,sex,box_zyx\na,"OTC 1",female,"0:3,0:4,0:5"\nb,OTC 2,male,\n'],
        ),
        "marker": (
            _as_file("collection.toml", lambda path: catalogue_url(Layout(path.parent))),
            [b'format = "ossicle-collection/1"\nuid = "c"\ncatalogue = "postgresql://a@b/c"\n'],
        ),
        "request": (
            request,
            [
                b'{"kind": "rename", "at": "upper-left/dP3", "name": "dP4"}',
                b'{"kind": "cut", "at": [1, 2, 3], "stroke": [[0, 0, 0], [1, 1, 1]], "view": [0, 0, 1]}',
                b'{"kind": "midplane", "points": [[0, 0, 0], [1, 0, 0], [0, 1, 0]], "up": [0, 1, 0]}',
                b'{"kind": "amend", "finding": "formula/counts", "value": {"a": [1, null]}}',
            ],
        ),
        "terms": (terms, [b'{"catalogNumber": "OTC 1", "decimalLatitude": "-12.3", "humanRemains": "yes"}']),
        "formula": (_text(parse_formula), [b"I3/3 C1/1 P4/4 M2/3 = 42", b"i 3-3/3-3, c 1-1/1-1", b"3.1.4.2"]),
        "tooth": (_text(ToothName.parse), [b"upper left dP3", "P\u2074".encode(), b"m_1"]),
        "spacing": (_text(parse_spacing), [b"0.1,0.05,0.05", b"0.05"]),
        "nexus": (nexus, [_NEXUS]),
        "characters": (
            _as_file("c.toml", lambda path: read_characters(path, dict)),
            [
                b'[size]\nname = "Size"\nstates = ["a", "b"]\nsource = "own"\nstatus = "M"\nordered = true\n'
                b"when = [\"loci('upper', 'incisor') == 0\", \"loci('upper', 'incisor') > 0\"]\n"
            ],
        ),
        "plate": (
            _as_file("p.toml", plate_text),
            [b'width = "double"\ndpi = 600\n[[panel]]\nview = "dorsal"\nbone = "veiled"\nlabel = ["upper teeth"]\n'],
        ),
        "lesson-toml": (_as_file("l.toml", lesson_text), [_STEP]),
        "lesson-json": (_as_file("l.json", lesson_text), [_LESSON]),
        "talk-events": (events, [_EVENTS]),
        "crate": (crate, [_CRATE]),
        "deposit-zip": (_as_file("d.zip", deposit_zip), Seeds(lambda: [_small_deposit()])),
        "zarr": (zarr_store, [_small_store()]),
        "voice": (voice, [_spoken()]),
        "captions": (captions, [_VTT, b"The first teeth. They are shed."]),
        "landmarks": (landmarks, [_LANDMARKS, _WIDE]),
        "scanner-json": (_as_file("scan.json", scanner), [b'{"scanner": {"voltage_kv": 80, "filter": "Al"}}']),
        "scanner-toml": (_as_file("scan.toml", scanner), [b'voltage_kv = 80.5\n[scanner]\nfilter = "Al"\n']),
        "box": (_text(box_from), [b"0:10,3:20,4:5"]),
        **account_targets(),
        **scan_targets(),
    }
