"""Spacing: units, precedence, plausibility, and the refusal to guess."""

import pytest

from ossicle.errors import OssicleError
from ossicle.scans import parse_spacing
from ossicle.scans.sidecar import read_sidecar
from ossicle.scans.spacing import Spacing, length_in_mm, plausibility, resolve_spacing


@pytest.mark.parametrize(
    ("text", "expected"),
    [("0.05", (0.05,) * 3), ("1,2,3", (1, 2, 3)), ("1 2 3", (1, 2, 3)), ("0.5; .1; 1e-1", (0.5, 0.1, 0.1))],
)
def test_option_text(text, expected):
    assert parse_spacing(text) == expected


@pytest.mark.parametrize(
    "text", ["", "0", "-0.05", "1,2", "nan", "inf,1,1", "0.05mm", "1,2,3,4", "1,0,1", "1e300", "1,1,1e-99"]
)
def test_option_text_refused(text):
    with pytest.raises(OssicleError, match="positive numbers"):
        parse_spacing(text)


def test_nothing_stated_is_refused_with_how_to_give_it():
    with pytest.raises(OssicleError, match=r"--spacing 0\.05 .*--spacing Z,Y,X"):
        resolve_spacing(None, None, None, where="stack", hint="")


def test_precedence_and_disagreement():
    stated, sidecar = Spacing((1, 1, 1), "the header"), Spacing((1, 1, 1.1), "scan.json")
    assert resolve_spacing(None, stated, None, where="s", hint="") == ((1, 1, 1), [])
    assert resolve_spacing(None, None, sidecar, where="s", hint="") == ((1, 1, 1.1), [])
    spacing, warnings = resolve_spacing(None, stated, sidecar, where="s", hint="")
    assert spacing == (1, 1, 1)
    assert len(warnings) == 1
    spacing, warnings = resolve_spacing(2.0, stated, sidecar, where="s", hint="")
    assert spacing == (2, 2, 2)
    assert len(warnings) == 2
    assert all("the option --spacing was followed" in w for w in warnings)
    assert resolve_spacing([1, 1, 1.0005], stated, None, where="s", hint="")[1] == []


def test_suspicious_units():
    assert plausibility((500, 500, 500), (0.05, 0.05, 0.05)) == []
    assert "micrometres" in plausibility((10, 10, 10), (40, 40, 40))[0]
    assert "too small" in plausibility((500, 500, 500), (4e-5, 4e-5, 4e-5))[0]
    assert "3 m long" in plausibility((1000, 500, 500), (3, 3, 3))[0]
    assert "longer than wide" in plausibility((10, 500, 500), (1, 0.1, 0.1))[0]


def test_units_of_length():
    # SI prefixes (BIPM SI Brochure, table 7); 1 inch = 25.4 mm exactly (international yard and pound, 1959)
    assert length_in_mm("µm") == length_in_mm("micron") == length_in_mm("micrometer") == 1e-3
    assert length_in_mm("inch") == 25.4
    assert length_in_mm("CM") == 10
    assert length_in_mm("pixel") is None
    assert length_in_mm(None) is None


SIDECARS = {
    "a.json": '{"spacing_mm_zyx": [0.3, 0.2, 0.1], "grey_unit": "counts", "note": "left alone"}',
    "b.json": '{"Spacing um XYZ": "100 200 300", "grey-unit": "counts"}',
    "c.toml": 'voxel_size_mm_zyx = [0.3, 0.2, 0.1]\ngrey_unit = "counts"',
    "d.txt": "# a comment\nspacing_mm_zyx = 0.3, 0.2, 0.1\ngrey unit: counts\n",
    "e.txt": "Voxel size um xyz: 100 x 200 x 300  # micrometres\ngrey_unit = 'counts'",
}


@pytest.mark.parametrize("name", SIDECARS)
def test_sidecar_forms(tmp_path, name):
    (tmp_path / name).write_text(SIDECARS[name], "utf-8")
    sidecar = read_sidecar(tmp_path / name)
    assert sidecar.spacing.mm_zyx == pytest.approx((0.3, 0.2, 0.1))
    assert sidecar.grey_unit == "counts"


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("a.json", "[1, 2]"),
        ("a.json", "{"),
        ("a.json", '{"spacing_mm_zyx": [1, 2]}'),
        ("a.json", '{"spacing_mm_zyx": [1, 2, -3]}'),
        ("a.json", '{"spacing_mm_zyx": [1, 2, true]}'),
        ("a.json", '{"spacing_mm_zyx": {"z": 1}}'),
        ("a.json", '{"spacing": 0.05}'),
        ("a.json", '{"spacing_mm": [0.1, 0.2, 0.3]}'),
        ("a.json", '{"mirrored": "perhaps"}'),
        ("a.json", '{"shape_zyx": [1.5, 2, 3]}'),
        ("a.json", '{"shape_zyx": [1e400, 2, 3]}'),
        ("a.json", '{"type": "object"}'),
        ("a.json", '{"type": "(1000000,)u2"}'),
        ("a.json", '{"byte_order": "middle"}'),
        ("a.json", '{"header_bytes": -1}'),
        ("a.json", '{"grey_unit": 3}'),
        ("a.json", "[" * 100_000),
        ("a.toml", "spacing = ["),
    ],
)
def test_sidecar_faults(tmp_path, name, text):
    (tmp_path / name).write_text(text, "utf-8")
    with pytest.raises(OssicleError):
        read_sidecar(tmp_path / name)


def test_sidecar_that_is_no_text_or_too_large(tmp_path):
    (tmp_path / "a.json").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(OssicleError, match="UTF-8"):
        read_sidecar(tmp_path / "a.json")
    (tmp_path / "b.json").write_bytes(b" " * (2 << 20))
    with pytest.raises(OssicleError, match="1 MB"):
        read_sidecar(tmp_path / "b.json")
