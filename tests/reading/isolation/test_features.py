"""Local features against closed forms and plain scipy; the same on any number of threads."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter, gaussian_laplace

from ossicle.errors import Cancelled
from ossicle.reading.features import FEATURES, Normalised, gap_cut, measure, valley_depth


def scene(seed: int = 0) -> Normalised:
    rng = np.random.default_rng(seed)
    values = gaussian_filter(rng.standard_normal((28, 30, 26)), 1.5)
    values = 1.6 * (values - values.min()) / np.ptp(values)
    return Normalised(values.astype(np.float32), 1.5, 0.02)


def test_same_on_one_thread_and_on_three() -> None:
    volume = scene()
    where = np.flatnonzero(volume.values > 0.4)
    np.testing.assert_array_equal(measure(volume, where), measure(volume, where, threads=3))


def test_columns_are_what_they_are_called() -> None:
    volume = scene(1)
    where = np.flatnonzero(volume.values > 0.4)
    found = measure(volume, where)
    column = {name: found[:, i] for i, name in enumerate(FEATURES)}
    u = volume.values
    np.testing.assert_allclose(column["grey"], u.ravel()[where])
    np.testing.assert_allclose(column["grey 2"], gaussian_filter(u, 2.0).ravel()[where], atol=1e-5)
    # The trace of the Hessian is the Laplacian (scipy), scale-normalised.
    for name, sigma in (("curve 1", 1.2), ("curve 2", 2.4)):
        trace = column[f"{name} low"] + column[f"{name} mid"] + column[f"{name} high"]
        laplace = gaussian_laplace(u, sigma, truncate=6).ravel()[where] * sigma**2
        assert np.corrcoef(trace, laplace)[0, 1] > 0.999
    assert (column["curve 1 low"] <= column["curve 1 high"]).all()
    assert (column["least 4"] <= column["least 2"] + 1e-6).all()
    assert (column["most 8"] >= column["most 4"] - 1e-6).all()
    assert (column["enamel level"] == np.float32(1.5)).all()


def test_saddle_tells_what_is_cut_off_from_enamel() -> None:
    u = np.zeros((20, 20, 40), np.float32)
    u[8:12, 8:12, 4:36] = 1.0
    u[8:12, 8:12, 4:8] = 1.6  # enamel at one end
    u[8:12, 8:12, 20:22] = 0.5  # a gap half-way down
    volume = Normalised(u, 1.6, 0.0)
    where = np.flatnonzero(u > 0.4)
    saddle = np.zeros(u.shape)
    saddle.ravel()[where] = measure(volume, where)[:, FEATURES.index("saddle to enamel")]
    near, far = saddle[9, 9, 14], saddle[9, 9, 30]
    assert near > 0.75
    assert far < 0.5


@pytest.mark.parametrize("width", [1, 2, 3])
def test_valley_of_a_blurred_gap_has_its_closed_form_depth(width: int) -> None:
    from scipy.special import erf

    sigma = 1.0
    u = np.ones((21, 21, 41))
    u[:, :, 20 : 20 + width] = 0
    blurred = gaussian_filter(u, sigma, truncate=8).astype(np.float32)
    depth = valley_depth(blurred, 3)[10, 10]
    middle = 20 + (width - 1) / 2

    def level(x: float) -> float:
        a, b = x - middle + width / 2, x - middle - width / 2
        return 1 - 0.5 * (erf(a / (sigma * 2**0.5)) - erf(b / (sigma * 2**0.5)))

    at = 20 + (width - 1) // 2
    expected = min(level(at - 3), level(at + 3)) - level(at)
    assert depth[at] == pytest.approx(expected, abs=0.03)
    assert valley_depth(np.ones((9, 9, 9), np.float32)).max() == 0


def test_gap_cut_only_lowers() -> None:
    volume = scene(2)
    cut = gap_cut(volume)
    assert (cut <= volume.values + 1e-6).all()
    assert (cut < volume.values - 0.05).any()


def test_a_tick_may_cancel() -> None:
    volume = scene()
    where = np.flatnonzero(volume.values > 0.4)

    def stop() -> None:
        raise Cancelled

    for threads in (1, 2):
        with pytest.raises(Cancelled):
            measure(volume, where, threads=threads, tick=stop)
