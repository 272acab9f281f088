"""Whole scans: grey values, noise, blur, rings, hardening, phantom, and the same bytes for the same seed."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, ndimage, optimize, special

from ossicle.errors import Cancelled, OssicleError
from ossicle.practice.scanner import DEGRADATIONS, PRESETS, ScannerSettings, degraded, mu, preset, scan_volume
from ossicle.practice.scanner.materials import AIR, BONE, DENTINE, ENAMEL, FLUID, FOAM, METAL, SOFT

SPACING = (0.1, 0.1, 0.1)
MONO = ScannerSettings(mode="projections", beam="mono", energy_kev=60.0)
POLY = ScannerSettings(mode="projections", beam="poly", kv=100.0)


def scan(tissue, how, seed=1, **more):
    return scan_volume(tissue, SPACING, how, np.random.default_rng(seed), **more)


def disc(n: int, radius: float, slices: int = 2) -> np.ndarray:
    """Share of each voxel in a cylinder along z, exact to a sixth of a pixel."""
    k = 6
    y, x = (np.mgrid[0 : n * k, 0 : n * k] - (n * k - 1) / 2) / k
    share = (np.hypot(y, x) < radius).reshape(n, k, n, k).mean(axis=(1, 3))
    return np.repeat(share[None].astype(np.float32), slices, axis=0)


def radii(n: int) -> np.ndarray:
    return np.hypot(*(np.mgrid[0:n, 0:n] - (n - 1) / 2))


def tissues(n: int = 64, slices: int = 8) -> np.ndarray:
    """A soft cylinder with a bone ring, and rods of dentine and enamel."""
    y, x = np.mgrid[0:n, 0:n] - (n - 1) / 2
    layer = np.zeros((n, n), np.uint8)
    layer[np.hypot(y, x) < 0.42 * n] = BONE
    layer[np.hypot(y, x) < 0.34 * n] = SOFT
    layer[np.hypot(y - 9, x - 2) < 7] = DENTINE
    layer[np.hypot(y + 9, x + 4) < 7] = ENAMEL
    return np.repeat(layer[None], slices, axis=0)


@pytest.mark.parametrize("mode", ["image", "projections"])
def test_grey_values_agree_with_xraydb_within_noise(mode: str) -> None:
    model = tissues()
    made = scan(model, replace(MONO, mode=mode, noise=0.05, blur_mm=0.06))
    shown = made.attenuation()
    for tissue in (AIR, SOFT, BONE, DENTINE, ENAMEL):
        inner = ndimage.binary_erosion(model[0] == tissue, iterations=2)
        values = shown[:, inner]
        # Neighbouring voxels share noise: a twentieth of them is counted as independent.
        error = 3 * values.std() / np.sqrt(values.size / 20) + 0.01 * mu(tissue, 60.0) + 0.002
        assert abs(values.mean() - mu(tissue, 60.0)) < error
    assert mode in made.note.lower()


@pytest.mark.parametrize("geometry", ["parallel", "cone"])
def test_a_soft_cylinder_is_flat_with_one_energy(geometry: str) -> None:
    n = 96 if geometry == "parallel" else 48
    made = scan({SOFT: disc(n, 0.4 * n, 8)}, replace(MONO, geometry=geometry)).attenuation()[4]
    flat = radii(n) < 0.4 * n - 4  # a filter of three pixels, clear of the edge
    assert np.abs(ndimage.uniform_filter(made, 3)[flat] / mu(SOFT, 60.0) - 1).max() < 0.01


def test_a_cylinder_cups_with_a_spectrum_as_its_chords_say() -> None:
    n, radius = 96, 0.4 * 96
    made = scan({BONE: disc(n, radius)}, POLY).attenuation()[0]
    beam = POLY.spectrum

    def slope(s: float) -> float:
        """Derivative of the measured line integral of a bone chord at distance s from the axis, in cm."""
        half = np.sqrt((radius * 0.01) ** 2 - s**2)
        passed = beam.signal * np.exp(-2 * half * mu(BONE, beam.kev))
        return float((passed @ mu(BONE, beam.kev)) / passed.sum() * (-2 * s / half))

    def shown(r: float) -> float:
        """Abel inversion, -1/pi times the integral of p'(s) / sqrt(s^2 - r^2) from r to the edge; r in cm."""
        edge = radius * 0.01

        def inner(w: float) -> float:
            # s^2 = r^2 + (edge^2 - r^2) sin^2 w takes away both singular ends
            s = np.sqrt(r**2 + (edge**2 - r**2) * np.sin(w) ** 2)
            weight = np.sqrt(edge**2 - r**2) * np.cos(w) / s if s > 0 else 0.0
            return -slope(s) * weight / np.pi

        return float(integrate.quad(inner, 0, np.pi / 2 - 1e-9, limit=200)[0])

    distance = radii(n)
    for r in (8.0, 20.0, 30.0):
        band = made[np.abs(distance - r) < 1].mean()
        assert band == pytest.approx(shown(r * 0.01), rel=0.01)
    middle, rim = made[distance < 8].mean(), made[np.abs(distance - 0.35 * n) < 1].mean()
    assert middle < 0.95 * rim < mu(BONE, POLY.effective_kev)


def test_a_wide_water_like_cylinder_is_flat_or_cups_by_the_beam() -> None:
    """Soft tissue 77 mm wide, as a phantom of water: flat with one energy, 2 % or more darker with a spectrum."""
    n = 96
    distance = radii(n)
    ratios = []
    for how in (MONO, replace(POLY, kv=80.0, filters=(("Al", 0.5),))):
        made = scan_volume({SOFT: disc(n, 0.4 * n)}, (1.0, 1.0, 1.0), how, np.random.default_rng(1)).attenuation()[0]
        ratios.append(made[distance < 8].mean() / made[np.abs(distance - 0.35 * n) < 1].mean())
    assert abs(ratios[0] - 1) < 0.01
    assert ratios[1] < 0.98


def test_image_mode_cups_in_closed_form() -> None:
    n = 96
    radius = n / 4
    how = ScannerSettings(beam="mono", energy_kev=60.0, cupping=0.2)
    made = scan({BONE: disc(n, radius, 4)}, how).attenuation()[2] / mu(BONE, 60.0)
    distance = radii(n)
    for r in (0.0, 12.0, 18.0):
        expected = 1 - 0.2 * np.sqrt(1 - (r / radius) ** 2)
        assert made[np.abs(distance - r) < 2].mean() == pytest.approx(expected, abs=0.015)
    assert abs(made[distance > 1.5 * radius].mean()) < 0.01


@pytest.mark.parametrize("blur_mm", [0.0, 0.08, 0.2])
def test_image_noise_is_as_strong_as_asked(blur_mm: float) -> None:
    how = ScannerSettings(beam="mono", energy_kev=60.0, noise=0.06, blur_mm=blur_mm)
    made = scan(np.zeros((24, 96, 96), np.uint8), how).attenuation()
    assert made.std() / how.bone_contrast == pytest.approx(0.06, rel=0.03)


@pytest.mark.parametrize(("blur_mm", "electronic"), [(0.0, 0.0), (0.12, 0.0), (0.08, 60.0)])
def test_projection_noise_is_as_strong_as_asked_at_the_axis(blur_mm: float, electronic: float) -> None:
    how = replace(MONO, noise=0.06, blur_mm=blur_mm, electronic=electronic)
    made = scan({SOFT: disc(64, 22, 60)}, how).attenuation()
    middle = made[:, radii(64) < 5]
    assert middle.std(axis=0).mean() / how.bone_contrast == pytest.approx(0.06, rel=0.05)


def test_noise_is_as_much_stronger_behind_matter_in_both_modes() -> None:
    n, radius = 64, 24
    cylinder = {DENTINE: disc(n, radius, 60)}
    distance = radii(n)
    found = {}
    for mode in ("image", "projections"):
        how = replace(MONO, mode=mode, noise=0.06, blur_mm=0.08, views=200)
        shown = scan(cylinder, how).attenuation()
        spread = shown.std(axis=0) / how.bone_contrast
        bands = ((0, 6), (12, 16), (19, 22), (28, 31))
        found[mode] = np.array([spread[(distance >= a) & (distance < b)].mean() for a, b in bands])
    assert found["image"][0] == pytest.approx(0.06, rel=0.05)
    assert found["projections"] == pytest.approx(found["image"], rel=0.08)
    # At the axis all rays cross the diameter; outside few do, and the variance is nearer to open beam.
    open_beam = 0.06 / np.sqrt(np.exp(2 * radius * 0.01 * mu(DENTINE, 60.0)))
    assert open_beam < found["image"][3] < found["image"][0]


def test_noise_has_the_colour_of_a_reconstruction() -> None:
    """Power by frequency in the plane: image mode against projections mode."""
    n, count = 64, 48
    powers = {}
    for mode in ("image", "projections"):
        # Uniform attenuation is left out: nothing but air keeps the noise the same everywhere.
        how = replace(MONO, mode=mode, noise=0.06, blur_mm=0.08, views=200, photons=None if mode == "image" else 1e4)
        made = scan(np.zeros((count, n, n), np.uint8), how).attenuation()
        power = np.mean(np.abs(np.fft.fft2(made)) ** 2, axis=0)
        f = np.hypot(np.fft.fftfreq(n)[:, None], np.fft.fftfreq(n))
        bands = [power[(f > a) & (f <= a + 0.1)].mean() for a in (0.02, 0.12, 0.22, 0.32, 0.42)]
        powers[mode] = np.array(bands) / np.sum(bands)
    assert powers["image"] == pytest.approx(powers["projections"], abs=0.06)
    # Blurred white noise would fall all the way.
    assert powers["image"][0] < powers["image"][1]


def test_twice_the_photons_give_half_the_variance() -> None:
    few = scan(np.zeros((8, 48, 48), np.uint8), replace(MONO, photons=2000.0)).attenuation().var()
    many = scan(np.zeros((8, 48, 48), np.uint8), replace(MONO, photons=4000.0)).attenuation().var()
    assert few / many == pytest.approx(2.0, rel=0.1)


def edge_width(profile: np.ndarray) -> float:
    """Standard deviation, in voxels, of the error function fitted to an edge spread."""
    x = np.arange(profile.size)

    def model(x, low, high, at, sigma):
        return low + (high - low) * 0.5 * (1 + special.erf((x - at) / (np.sqrt(2) * sigma)))

    start = (profile.min(), profile.max(), profile.size / 2, 1.5)
    return abs(optimize.curve_fit(model, x, profile, p0=start)[0][3])


@pytest.mark.parametrize("axis", [0, 1, 2])
def test_an_edge_spreads_as_the_error_function(axis: int) -> None:
    model = np.zeros((48, 48, 48), np.uint8)
    np.moveaxis(model, axis, 0)[24:] = BONE
    spacing = (0.2, 0.1, 0.1)
    how = ScannerSettings(beam="mono", energy_kev=60.0, blur_mm=0.3)
    made = scan_volume(model, spacing, how, np.random.default_rng(0)).attenuation()
    profile = np.moveaxis(made, axis, 0)[4:-4, 24, 24]
    assert edge_width(profile) * spacing[axis] == pytest.approx(0.3, rel=0.02)
    sigma, x = 0.3 / spacing[axis], np.arange(48)[4:-4] - 23.5
    exact = 0.5 * (1 + special.erf(x / (np.sqrt(2) * sigma))) * mu(BONE, 60.0)
    assert np.abs(profile - exact).max() < 0.005 * mu(BONE, 60.0)


def test_projections_blur_as_asked() -> None:
    n, blur = 96, 0.2
    made = scan({SOFT: disc(n, 30)}, replace(MONO, blur_mm=blur)).attenuation()[0]
    distance = radii(n)
    bins = np.arange(20.0, 40.0, 0.5)
    profile = np.array([made[np.abs(distance - r) < 0.4].mean() for r in bins])
    # The voxel, the detector's pixel and both interpolations add about 0.6 voxel of their own.
    assert edge_width(profile) * 0.5 * 0.1 == pytest.approx(np.hypot(blur, 0.06), rel=0.05)


@pytest.mark.parametrize("mode", ["image", "projections"])
def test_rings_are_as_strong_as_asked_and_round(mode: str) -> None:
    n = 96
    how = replace(MONO, mode=mode, rings=0.05)
    made = scan(np.zeros((120, n, n), np.uint8), how).attenuation() / how.bone_contrast
    distance = radii(n)
    quarter = made[:, np.abs(distance - n / 4) < 2]
    assert np.sqrt(np.mean(quarter**2)) == pytest.approx(0.05, rel=0.25)
    y, x = np.mgrid[0:n, 0:n] - (n - 1) / 2
    angle = np.arctan2(y, x)
    # Upper half (half a turn gives each side of the detector half a circle): the same radius, apart in angle.
    right = [made[:, (np.abs(distance - r) < 0.6) & (angle > 0.2) & (angle < 1.2)].mean(axis=1) for r in range(20, 40)]
    left = [made[:, (np.abs(distance - r) < 0.6) & (angle > 1.8) & (angle < 2.8)].mean(axis=1) for r in range(20, 40)]
    assert np.corrcoef(np.ravel(right), np.ravel(left))[0, 1] > (0.9 if mode == "image" else 0.3)


def test_a_wrong_axis_doubles_edges() -> None:
    ball = {BONE: disc(64, 10)}
    right = scan(ball, MONO).attenuation()[0]
    wrong = scan(ball, replace(MONO, centre_offset_px=3.0)).attenuation()[0]
    far = (radii(64) > 14) & (radii(64) < 30)
    assert np.abs(wrong[far]).mean() > 5 * np.abs(right[far]).mean()


@pytest.mark.parametrize("mode", ["image", "projections"])
def test_metal_casts_dark_bands(mode: str) -> None:
    n = 64
    y, x = np.mgrid[0:n, 0:n] - (n - 1) / 2
    layer = np.where(np.hypot(y, x) < 28, SOFT, AIR).astype(np.uint8)
    layer[(np.abs(y) < 4) & (np.abs(np.abs(x) - 14) < 4)] = METAL
    made = scan(np.repeat(layer[None], 4, axis=0), replace(POLY, mode=mode)).attenuation()[2]
    between = made[(np.abs(y) < 2) & (np.abs(x) < 5)].mean()
    beside = made[(np.abs(np.abs(y) - 18) < 2) & (np.abs(x) < 5)].mean()
    assert between < 0.5 * beside


@pytest.mark.parametrize(
    "how",
    [
        replace(preset("noisy"), rings=0.0, cupping=0.1, phantom=True),
        replace(preset("rings"), noise=0.0),
        replace(POLY, noise=0.05, rings=0.03, electronic=5.0, blur_mm=0.1, views=40),
        replace(POLY, geometry="cone", noise=0.05, blur_mm=0.1, views=20),
    ],
)
def test_the_same_seed_gives_the_same_bytes_for_any_threads(how: ScannerSettings) -> None:
    model = np.pad(tissues(24, 7), ((0, 0), (8, 8), (8, 8)))
    first = scan(model, how, threads=1).values
    for threads in (2, 3):
        assert scan(model, how, threads=threads).values.tobytes() == first.tobytes()
    assert scan(model, how, seed=2).values.tobytes() != first.tobytes()


@pytest.mark.parametrize("mode", ["image", "projections"])
def test_the_phantom_stands_where_it_says_and_is_linear(mode: str) -> None:
    model = np.pad(tissues(48, 4), ((0, 0), (24, 24), (24, 24)))
    made = scan(model, replace(MONO, mode=mode, phantom=True))
    shown = made.attenuation()[2]
    y, x = np.mgrid[0 : shown.shape[0], 0 : shown.shape[1]] * 0.1
    means = []
    for rod in made.phantom:
        inner = np.hypot(x - rod.centre_mm_xy[0], y - rod.centre_mm_xy[1]) < 0.6 * rod.radius_mm
        assert (model[0][inner] == AIR).all()
        means.append(shown[inner].mean())
        assert means[-1] == pytest.approx(mu(rod.tissue, 60.0), rel=0.03)
    densities = [rod.density for rod in made.phantom]
    line = np.polyfit(densities, means, 1)
    assert np.abs(np.polyval(line, densities) - means).max() < 0.01
    with pytest.raises(OssicleError, match="no room"):
        scan(np.full((2, 40, 40), BONE, np.uint8), replace(MONO, mode=mode, phantom=True))


@given(seed=st.integers(0, 1000), factor=st.tuples(st.integers(1, 3), st.integers(1, 3), st.integers(1, 3)))
@settings(max_examples=15, deadline=None)
def test_partial_volume_is_the_mean_of_what_a_voxel_holds(seed: int, factor: tuple[int, int, int]) -> None:
    rng = np.random.default_rng(seed)
    shape = tuple(f * n for f, n in zip(factor, (2, 5, 4), strict=True))
    model = rng.integers(0, 5, shape).astype(np.uint8)
    density = rng.uniform(0.5, 1.5, shape).astype(np.float32)
    how = ScannerSettings(beam="mono", energy_kev=60.0)
    made = scan(model, how, density=density, supersample=factor)
    exact = np.array([mu(i, 60.0) for i in range(5)])[model] * density
    means = np.zeros((2, 5, 4))
    for z, y, x in np.ndindex(2, 5, 4):
        block = tuple(slice(i * f, (i + 1) * f) for i, f in zip((z, y, x), factor, strict=True))
        means[z, y, x] = exact[block].mean()
    inside = means < how.window[1]
    assert np.abs(made.attenuation() - means)[inside].max() < 1.0 / made.grey_per_attenuation
    assert made.spacing_mm_zyx == pytest.approx([0.1 * f for f in factor])


@pytest.mark.parametrize("mode", ["image", "projections"])
def test_fractions_and_ids_give_the_same_scan(mode: str) -> None:
    model = tissues(32, 3)
    shares = {i: (model == i).astype(np.float32) for i in (SOFT, BONE, DENTINE, ENAMEL)}
    how = replace(MONO, mode=mode)
    by_id, by_share = scan(model, how).values, scan(shares, how).values
    assert np.abs(by_id.astype(int) - by_share.astype(int)).max() <= 2


def test_fluid_takes_the_place_of_air() -> None:
    wet = scan(tissues(32, 3), ScannerSettings(beam="mono", energy_kev=60.0, background=FLUID)).attenuation()
    assert wet[0, 0, 0] == pytest.approx(mu(FLUID, 60.0), abs=1e-3)
    foam = scan(tissues(32, 3), ScannerSettings(beam="mono", energy_kev=60.0, background=FOAM)).attenuation()
    assert foam[0, 0, 0] == pytest.approx(mu(FOAM, 60.0), abs=1e-3)


def test_bits_window_and_mirror() -> None:
    model = np.pad(tissues(32, 3), ((0, 0), (6, 6), (2, 10)))
    how = ScannerSettings(beam="mono", energy_kev=60.0, phantom=True)
    plain = scan(model, how)
    assert plain.values.dtype == np.uint16
    coarse = scan(model, replace(how, bits=8))
    assert coarse.values.dtype == np.uint8
    assert np.abs(coarse.attenuation() - plain.attenuation()).max() <= 0.51 / coarse.grey_per_attenuation
    mirrored = scan(model, replace(how, mirrored=True))
    assert (mirrored.values[:, :, ::-1] == plain.values).all()
    for rod, other in zip(plain.phantom, mirrored.phantom, strict=True):
        assert rod.centre_mm_xy[0] + other.centre_mm_xy[0] == pytest.approx((model.shape[2] - 1) * 0.1)
    narrow = scan(model, replace(how, window_per_cm=(0.0, 0.5)))
    assert narrow.values.max() == 65535
    assert narrow.attenuation()[model == BONE].max() == pytest.approx(0.5)


def test_every_degradation_can_be_asked_for_and_does_what_it_says() -> None:
    model = np.pad(tissues(32, 3), ((0, 0), (12, 12), (12, 12)))
    for name in DEGRADATIONS:
        how, factor = degraded(preset("typical"), name)
        assert factor == (2.0 if name == "half resolution" else 1.0)
        assert (how == PRESETS["typical"]) == (name == "none")
        assert scan(model, how).values.shape == model.shape
    clean = degraded(preset("perfect"), "double noise")[0]
    assert clean.noise == 2 * PRESETS["typical"].noise
    empty = np.zeros((16, 64, 64), np.uint8)
    once, twice = preset("clean"), degraded(preset("clean"), "double noise")[0]
    assert scan(empty, twice).attenuation().std() / scan(empty, once).attenuation().std() == pytest.approx(2, rel=0.02)
    with pytest.raises(OssicleError, match="double noise"):
        degraded(once, "worse")


def test_presets_scale_with_the_voxel() -> None:
    assert preset("typical", 0.02).blur_mm == pytest.approx(0.016)
    with pytest.raises(OssicleError, match="typical"):
        preset("best")


@pytest.mark.parametrize(
    ("tissue", "spacing", "more"),
    [
        (np.zeros((4, 4), np.uint8), SPACING, {}),
        (np.zeros((4, 4, 4), np.int32), SPACING, {}),
        (np.full((4, 4, 4), 77, np.uint8), SPACING, {}),
        (np.zeros((4, 4, 4), np.uint8), (0.1, -0.1, 0.1), {}),
        (np.zeros((4, 4, 4), np.uint8), (0.1, float("nan"), 0.1), {}),
        (np.zeros((4, 4, 5), np.uint8), SPACING, {"supersample": 2}),
        (np.zeros((4, 4, 4), np.uint8), SPACING, {"supersample": 0}),
        (np.zeros((4, 4, 4), np.uint8), SPACING, {"density": np.ones((4, 4, 5), np.float32)}),
        (np.zeros((4, 4, 4), np.uint8), SPACING, {"density": np.full((4, 4, 4), np.nan, np.float32)}),
        (np.zeros((4, 4, 4), np.uint8), SPACING, {"density": np.full((4, 4, 4), -1, np.float32)}),
        ({}, SPACING, {}),
        ({BONE: np.full((4, 4, 4), 1.5, np.float32)}, SPACING, {}),
        ({BONE: np.full((4, 4, 4), np.nan, np.float32)}, SPACING, {}),
    ],
)
def test_models_that_cannot_be_scanned_are_refused(tissue, spacing, more) -> None:
    with pytest.raises(OssicleError):
        scan_volume(tissue, spacing, ScannerSettings(), np.random.default_rng(0), **more)


@pytest.mark.parametrize(
    "values",
    [
        {"mode": "fast"},
        {"bits": 12},
        {"noise": -0.1},
        {"blur_mm": float("nan")},
        {"kv": 5.0},
        {"beam": "mono"},
        {"photons": 0.0},
        {"views": 1},
        {"background": 77},
    ],
)
def test_settings_that_make_no_scan_are_refused(values) -> None:
    with pytest.raises(OssicleError):
        ScannerSettings(**values)


def test_a_source_inside_the_specimen_is_refused() -> None:
    with pytest.raises(OssicleError, match="too near"):
        scan(tissues(32, 3), replace(MONO, geometry="cone", source_mm=2.0))


@pytest.mark.parametrize("mode", ["image", "projections"])
def test_progress_is_told_and_can_stop_the_scan(mode: str) -> None:
    stages: list[str] = []

    def tell(stage: str, share: float) -> None:
        assert 0.0 <= share <= 1.0
        stages.append(stage)
        if stage in ("noise", "detector"):
            raise Cancelled

    with pytest.raises(Cancelled):
        scan(tissues(32, 20), replace(preset("noisy"), mode=mode), progress=tell)
    assert len(set(stages)) >= 2
