"""TIFF, written by tifffile and by SimpleITK (libtiff)."""

import json

import numpy as np
import pytest
import SimpleITK
import tifffile

from ossicle.errors import OssicleError
from ossicle.scans import list_series

from .conftest import SPACING


def write_slices(folder, volume, name="slice_{}.tif", **options):
    folder.mkdir(parents=True, exist_ok=True)
    for i, plane in enumerate(volume):
        tifffile.imwrite(folder / name.format(i), plane, **options)
    return folder


@pytest.mark.parametrize("dtype", ["u1", "i1", "u2", "i2", "u4", "i4", "f2", "f4", "f8", ">u2", ">f4"])
def test_types(tmp_path, take, dtype):
    rng = np.random.default_rng(0)
    volume = (rng.random((4, 9, 8)) * 100).astype(dtype)
    byteorder = ">" if dtype[0] == ">" else "<"
    scan = take(write_slices(tmp_path / "s", volume, byteorder=byteorder), spacing_mm_zyx=SPACING)
    assert np.array_equal(scan.array(), volume.astype("f4") if volume.dtype.kind == "f" else volume)
    assert scan.values.dtype.itemsize <= 4
    assert scan.value_range == pytest.approx((volume.min(), volume.max()))


def test_64_bit_whole_numbers_are_kept_in_32_or_refused(tmp_path, take, volume):
    scan = take(write_slices(tmp_path / "s", volume.astype("i8")), spacing_mm_zyx=1)
    assert scan.values.dtype == np.int32
    assert np.array_equal(scan.array(), volume)
    with pytest.raises(OssicleError, match="32 bits"):
        take(write_slices(tmp_path / "t", volume.astype("i8") << 20), spacing_mm_zyx=1)


def test_natural_order(tmp_path, take):
    volume = np.arange(12 * 4 * 4).reshape(12, 4, 4).astype("u2")
    scan = take(write_slices(tmp_path / "s", volume), spacing_mm_zyx=1)  # slice_10 after slice_9, not after slice_1
    assert np.array_equal(scan.array(), volume)
    assert [s.name for s in scan.sources][:3] == ["slice_0.tif", "slice_1.tif", "slice_2.tif"]


@pytest.mark.parametrize(
    "options",
    [
        {"compression": "zlib"},
        {"compression": "lzw"},
        {"compression": "zstd"},
        {"compression": "zlib", "predictor": True},
        {"compression": "packbits"},
        {"tile": (16, 16)},
        {"tile": (16, 16), "compression": "zlib"},
        {"bigtiff": True},
        {"rowsperstrip": 2},
    ],
    ids=str,
)
@pytest.mark.parametrize("pages", [True, False])
def test_layouts(tmp_path, take, volume, options, pages):
    if pages:
        source = tmp_path / "all.tif"
        with tifffile.TiffWriter(source, bigtiff=options.pop("bigtiff", False)) as file:
            for plane in volume:
                file.write(plane, contiguous=False, **options)
    else:
        source = write_slices(tmp_path / "s", volume, **options)
    assert np.array_equal(take(source, spacing_mm_zyx=1).array(), volume)


def test_written_by_libtiff_through_simpleitk(tmp_path, take, volume):
    """Cross-check: SimpleITK writes the stack, and reads back what we read."""
    source = tmp_path / "itk.tif"
    SimpleITK.WriteImage(SimpleITK.GetImageFromArray(volume), str(source))
    ours = take(source, spacing_mm_zyx=1).array()
    assert np.array_equal(ours, SimpleITK.GetArrayFromImage(SimpleITK.ReadImage(str(source))))


def test_slices_behind_a_single_page(tmp_path, take, volume):
    """Files beyond 4 GB often have one page, the other slices behind it, and a description that counts
    them.
    """
    source = tmp_path / "one_page.tif"
    text = "images=6\nslices=6\nunit=um\nspacing=70.0\n"
    tifffile.imwrite(source, volume[0], description=text, metadata=None, resolution=(1 / 30, 1 / 50))
    with tifffile.TiffFile(source) as file:
        page = file.pages[0]
        assert page.dataoffsets[0] + page.databytecounts[0] == source.stat().st_size
    with source.open("ab") as file:
        file.write(volume[1:].tobytes())
    scan = take(source)
    assert np.array_equal(scan.array(), volume)
    assert scan.geometry.spacing_mm_zyx == pytest.approx((0.07, 0.05, 0.03))
    source.write_bytes(source.read_bytes()[:-10])
    with pytest.raises(OssicleError, match="cut short"):
        take(source)


def test_spacing_of_ome_xml(tmp_path, take, volume):
    """OME-XML, schema 2016-06: PhysicalSizeX is in micrometres unless PhysicalSizeXUnit says otherwise."""
    source = tmp_path / "x.ome.tif"
    sizes = {"PhysicalSizeX": 30.0, "PhysicalSizeY": 50.0, "PhysicalSizeZ": 0.07, "PhysicalSizeZUnit": "mm"}
    tifffile.imwrite(source, volume, metadata={"axes": "ZYX", **sizes}, ome=True)
    assert take(source).geometry.spacing_mm_zyx == pytest.approx((0.07, 0.05, 0.03))


def test_resolution_tags_alone_do_not_give_a_spacing(tmp_path, take, volume):
    folder = write_slices(tmp_path / "s", volume, resolution=(200, 200), resolutionunit="CENTIMETER")
    with pytest.raises(OssicleError, match=r"0\.05 x 0\.05 mm within a slice, and nothing from slice to slice"):
        take(folder)
    printer = write_slices(tmp_path / "t", volume, resolution=(72, 72), resolutionunit="INCH")
    with pytest.raises(OssicleError, match="size of a voxel is not stated; give it"):
        take(printer)


@pytest.mark.parametrize("inside", [True, False])
def test_sidecar_inside_or_beside(tmp_path, take, volume, inside):
    folder = write_slices(tmp_path / "d é" / "slices", volume)
    place = folder if inside else folder.parent
    (place / "scan.json").write_text(json.dumps({"spacing_mm_zyx": SPACING, "grey_unit": "attenuation counts"}))
    for source in (folder, folder.parent) if not inside else (folder,):
        scan = take(source)
        assert scan.geometry.spacing_mm_zyx == SPACING
        assert scan.grey_unit == "attenuation counts"


def test_option_wins_over_the_sidecar_with_a_warning(tmp_path, take, volume):
    folder = write_slices(tmp_path / "s", volume)
    (folder / "scan.json").write_text(json.dumps({"spacing_mm_zyx": SPACING}))
    scan = take(folder, spacing_mm_zyx=0.05)
    assert scan.geometry.spacing_mm_zyx == (0.05, 0.05, 0.05)
    assert any("scan.json says 0.07 x 0.05 x 0.03 mm" in w for w in scan.warnings)


def test_handedness_is_assumed_and_said(tmp_path, take, volume):
    folder = write_slices(tmp_path / "s", volume)
    scan = take(folder, spacing_mm_zyx=1)
    assert scan.geometry.handedness() == "right"
    assert scan.geometry.handedness_assumed
    assert any("right-handed" in w for w in scan.warnings)
    mirrored = take(folder, spacing_mm_zyx=1, mirrored=True)
    assert mirrored.geometry.handedness() == "left"
    assert not mirrored.geometry.scan_mm_is_right_handed()
    assert not any("right-handed" in w for w in mirrored.warnings)


def test_missing_and_repeated_slices_are_told(tmp_path, take, volume):
    folder = write_slices(tmp_path / "s", volume)
    (folder / "slice_3.tif").unlink()
    tifffile.imwrite(folder / "slice_4.tif", volume[1])
    warnings = take(folder, spacing_mm_zyx=1).warnings
    assert any("leaves out 1: 3" in w for w in warnings)
    assert any("1 slice repeats" in w and "1 = 3" in w for w in warnings)


def test_two_stacks_are_listed_and_chosen(tmp_path, take, volume):
    write_slices(tmp_path / "s", volume, "raw_{}.tif")
    folder = write_slices(tmp_path / "s", volume // 2, "filtered_{}.tif")
    with pytest.raises(OssicleError, match=r"2 stacks.*--series.*raw_#\.tif \(6\)"):
        take(folder, spacing_mm_zyx=1)
    assert {(s.id, s.slices) for s in list_series(folder)} == {("raw_#.tif", 6), ("filtered_#.tif", 6)}
    assert np.array_equal(take(folder, spacing_mm_zyx=1, series="raw_#.tif").array(), volume)
    assert np.array_equal(take(folder, spacing_mm_zyx=1, series="filtered").array(), volume // 2)
    with pytest.raises(OssicleError, match="no stack is called"):
        take(folder, spacing_mm_zyx=1, series="other")


def test_a_stray_file_is_left_out_and_said(tmp_path, take, volume):
    folder = write_slices(tmp_path / "s", volume)
    tifffile.imwrite(folder / "overview.tif", volume[0, :3])
    scan = take(folder, spacing_mm_zyx=1)
    assert np.array_equal(scan.array(), volume)
    assert any("overview.tif" in w for w in scan.warnings)


def test_zero_is_white_is_turned_round(tmp_path, take, volume):
    scan = take(write_slices(tmp_path / "s", volume, photometric="miniswhite"), spacing_mm_zyx=1)
    assert np.array_equal(scan.array(), 65535 - volume)
    assert any("0 is white" in w for w in scan.warnings)


def test_grey_in_colour_channels(tmp_path, take, volume):
    grey = np.repeat(volume[..., None], 3, axis=-1)
    assert np.array_equal(take(write_slices(tmp_path / "s", grey, photometric="rgb"), spacing_mm_zyx=1).array(), volume)
    grey[2, 0, 0, 1] ^= 1
    with pytest.raises(OssicleError, match="colour picture"):
        take(write_slices(tmp_path / "t", grey, photometric="rgb"), spacing_mm_zyx=1)


def test_truncated(tmp_path, take, volume):
    for name, options in {"plain": {}, "packed": {"compression": "zlib"}}.items():
        folder = write_slices(tmp_path / name, volume, **options)
        raw = (folder / "slice_4.tif").read_bytes()
        for keep in (len(raw) - 20, len(raw) // 2, 6, 0):
            (folder / "slice_4.tif").write_bytes(raw[:keep])
            with pytest.raises(OssicleError, match=r"slice_4\.tif"):
                take(folder, spacing_mm_zyx=1)
    source = tmp_path / "pages.tif"
    tifffile.imwrite(source, volume, photometric="minisblack")
    source.write_bytes(source.read_bytes()[:-40])
    with pytest.raises(OssicleError, match=r"cut short|ends within"):
        take(source, spacing_mm_zyx=1)


def test_sizes_and_types_that_differ(tmp_path, take, volume):
    folder = write_slices(tmp_path / "s", volume)
    tifffile.imwrite(folder / "slice_3.tif", volume[3, :-1])
    with pytest.raises(OssicleError, match=r"slices differ in size: slice_3\.tif has 13 x 10"):
        take(folder, spacing_mm_zyx=1)
    tifffile.imwrite(folder / "slice_3.tif", volume[3].astype("f4"))
    with pytest.raises(OssicleError, match="slices differ in type"):
        take(folder, spacing_mm_zyx=1)


def test_a_huge_claim_is_refused_before_memory_is_taken(tmp_path, take, volume):
    folder = write_slices(tmp_path / "s", volume)
    raw = bytearray((folder / "slice_0.tif").read_bytes())
    with tifffile.TiffFile(folder / "slice_0.tif") as file:
        for code in (256, 257):
            tag = file.pages[0].tags[code]
            raw[tag.valueoffset : tag.valueoffset + 2] = (65535).to_bytes(2, "little")
    (folder / "slice_0.tif").write_bytes(raw)
    with pytest.raises(OssicleError, match="65535"):
        take(folder, spacing_mm_zyx=1)


def test_pages_that_go_round_in_a_circle(tmp_path, take, volume):
    source = tmp_path / "a.tif"
    tifffile.imwrite(source, volume, photometric="minisblack")
    with tifffile.TiffFile(source) as file:
        last, first = file.pages[-1], file.pages[0]
        raw = bytearray(source.read_bytes())
        tags = int.from_bytes(raw[last.offset : last.offset + 2], "little")
        at = last.offset + 2 + 12 * tags
        raw[at : at + 4] = first.offset.to_bytes(4, "little")
    source.write_bytes(raw)
    with pytest.raises(OssicleError, match="chain of its pages is broken after 6"):
        take(source, spacing_mm_zyx=1)


@pytest.mark.parametrize("bigtiff", [False, True])
@pytest.mark.parametrize("byteorder", "<>")
def test_pages_lost_at_the_end_are_noticed(tmp_path, take, volume, bigtiff, byteorder):
    """A page's tags may lie behind its voxels: cut there, all voxels of the first pages are whole."""
    source = tmp_path / "a.tif"
    with tifffile.TiffWriter(source, bigtiff=bigtiff, byteorder=byteorder) as file:
        for plane in volume:
            file.write(plane, contiguous=False)
    assert np.array_equal(take(source, spacing_mm_zyx=1).array(), volume)
    with tifffile.TiffFile(source) as file:
        places = [page.offset for page in file.pages]
    raw = source.read_bytes()
    for place in (places[4], places[4] - 1, places[4] + 1, places[4] + 20, places[5] + 1):
        source.write_bytes(raw[:place])
        with pytest.raises(OssicleError, match=r"broken|ends within|cut short"):
            take(source, spacing_mm_zyx=1)


def test_xml_entities_are_refused(tmp_path, take, volume):
    """Nested entities ("billion laughs") and files read through them never get as far as a parser."""
    lols = "".join(f'<!ENTITY l{i} "{f"&l{i - 1};" * 10}">' for i in range(1, 12))
    for entities in (f'<!ENTITY l0 "lol">{lols}', '<!ENTITY l11 SYSTEM "file:///etc/hostname">'):
        body = '<OME><Image><Pixels PhysicalSizeX="&l11;"/></Image></OME>'
        text = f'<?xml version="1.0"?><!DOCTYPE OME [{entities}]>{body}'
        tifffile.imwrite(tmp_path / "a.tif", volume, photometric="minisblack", description=text, metadata=None)
        with pytest.raises(OssicleError, match="entities"):
            take(tmp_path / "a.tif", spacing_mm_zyx=1)
