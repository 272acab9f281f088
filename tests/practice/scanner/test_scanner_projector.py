"""Projection and reconstruction against closed forms and scikit-image."""

import numpy as np
import pytest
from skimage.transform import iradon, radon

from ossicle.practice.scanner.cone import ConeField, cone_view, feldkamp
from ossicle.practice.scanner.projector import (
    ParallelField,
    filtered_back_projection,
    ramp_filtered,
    view_matrix,
)

N = 96
FIELD = ParallelField.around((N, N), (0.01, 0.01))
ANGLES = np.pi * np.arange(160) / 160


def discs() -> np.ndarray:
    """A slice with no symmetry: a disc, and smaller ones off the axis."""
    k = 6
    y, x = (np.mgrid[0 : N * k, 0 : N * k] - (N * k - 1) / 2) / k
    fine = (np.hypot(y, x) < 38).astype(np.float32)
    fine += np.hypot(y - 15, x - 8) < 9
    fine += 2.0 * (np.hypot(y + 5, x - 20) < 5)
    return fine.reshape(N, k, N, k).mean(axis=(1, 3)).astype(np.float32)


def views_of(image: np.ndarray) -> np.ndarray:
    return np.stack([view_matrix(FIELD, a) @ image.ravel() for a in ANGLES]).astype(np.float32)


def test_line_integrals_of_discs_are_chords() -> None:
    s = (np.arange(FIELD.pixels) - (FIELD.pixels - 1) / 2) * FIELD.pitch
    exact = np.zeros((len(ANGLES), FIELD.pixels))
    for y, x, radius, value in ((0, 0, 38, 1), (15, 8, 9, 1), (-5, 20, 5, 2)):
        middle = 0.01 * (x * np.cos(ANGLES) + y * np.sin(ANGLES))
        inside = np.clip((0.01 * radius) ** 2 - (s[None] - middle[:, None]) ** 2, 0, None)
        exact += 2 * value * np.sqrt(inside)
    error = views_of(discs()) - exact
    assert np.sqrt(np.mean(error**2)) < 0.01 * exact.max()
    assert abs(error.mean()) < 1e-4 * exact.max()


def test_line_integrals_agree_with_scikit_image() -> None:
    image = discs()
    # scikit-image turns about pixel N // 2, hence the padding by one that puts it on the middle.
    odd = np.zeros((N + 1, N + 1), np.float32)
    odd[:N, :N] = image
    field = ParallelField(N + 1, N + 1, 0.01, 0.01, N + 1, 0.01)
    angles = np.arange(0.0, 180.0, 22.5)
    theirs = radon(odd, theta=angles, circle=True) * 0.01
    ours = np.stack([view_matrix(field, a) @ odd.ravel() for a in np.deg2rad(-angles)], axis=1)
    assert np.sqrt(np.mean((ours - theirs) ** 2)) < 0.01 * theirs.max()


def test_reconstruction_returns_the_slice_and_agrees_with_scikit_image() -> None:
    image = discs()
    views = views_of(image)
    ours = filtered_back_projection(views[None], ANGLES, FIELD, threads=1)[0]
    y, x = np.mgrid[0:N, 0:N] - (N - 1) / 2
    flat = np.hypot(y, x) < 30
    flat &= (np.abs(np.hypot(y - 15, x - 8) - 9) > 2.5) & (np.abs(np.hypot(y + 5, x - 20) - 5) > 2.5)
    assert np.abs(ours - image)[flat].mean() < 0.01
    # An odd detector puts scikit-image's centre on a pixel: both reconstruct the same views of an odd field.
    field = ParallelField(N + 1, N + 1, 0.01, 0.01, N + 1, 0.01)
    odd = np.zeros((N + 1, N + 1), np.float32)
    odd[:N, :N] = image
    views = np.stack([view_matrix(field, a) @ odd.ravel() for a in ANGLES]).astype(np.float32)
    ours = filtered_back_projection(views[None], ANGLES, field, threads=2)[0]
    theirs = iradon(views.T.astype(float) / 0.01, theta=-np.rad2deg(ANGLES), filter_name="ramp", circle=True)
    assert np.abs(ours - theirs)[np.hypot(*(np.mgrid[0 : N + 1, 0 : N + 1] - N / 2)) < 44].max() < 0.02


def test_the_ramp_takes_away_the_mean_and_passes_waves_in_proportion() -> None:
    pitch, n = 0.02, 400
    x = np.arange(n)
    for cycles in (10, 40, 100):
        wave = np.cos(2 * np.pi * cycles * x / n).astype(np.float32)
        middle = ramp_filtered(wave, pitch)[150:250] / wave[150:250]
        keep = np.abs(wave[150:250]) > 0.3
        # |f| = cycles / (n pitch)
        assert np.median(middle[keep]) == pytest.approx(cycles / (n * pitch), rel=0.02)


def test_a_cone_from_far_away_is_a_parallel_beam() -> None:
    image = discs()
    volume = np.repeat(image.reshape(-1, 1), 4, axis=1)
    field = ConeField.around((4, N, N), (0.01, 0.01, 0.01), source=1e4)
    parallel = ParallelField(N, N, 0.01, 0.01, field.plane.pixels, 0.01)
    for angle in (0.3, 2.0):
        cone = cone_view(field, volume, angle, 1)[:, 0, field.rows // 2]
        assert np.abs(cone - view_matrix(parallel, angle) @ image.ravel()).max() < 0.02


def test_cone_line_integrals_of_a_ball_are_chords() -> None:
    n, source, radius = 48, 1.5, 0.15
    centre = np.array([0.03, -0.05, 0.04])  # z, y, x in cm
    k = 4
    axis = ((np.arange(n * k) + 0.5) / k - n / 2) * 0.01
    z, y, x = np.meshgrid(axis - centre[0], axis - centre[1], axis - centre[2], indexing="ij", sparse=True)
    ball = (z**2 + y**2 + x**2 < radius**2).reshape(n, k, n, k, n, k).mean(axis=(1, 3, 5)).astype(np.float32)
    field = ConeField.around((n, n, n), (0.01, 0.01, 0.01), source)
    volume = np.ascontiguousarray(ball.reshape(n, -1).T)
    for angle in (0.0, 1.1):
        view = cone_view(field, volume, angle, 1)[:, 0]
        cos, sin = np.cos(angle), np.sin(angle)
        focus = np.array([0.0, -source * cos, source * sin])
        u, v = field.u[:, None], field.v[None, :]
        way = np.stack([v + 0 * u, u * sin + 0 * v, u * cos + 0 * v], axis=-1) - focus
        way = way / np.linalg.norm(way, axis=-1, keepdims=True)
        along = (way * (centre - focus)).sum(axis=-1)
        apart = np.sum((centre - focus) ** 2) - along**2
        chord = 2 * np.sqrt(np.clip(radius**2 - apart, 0, None))
        assert np.sqrt(np.mean((view - chord) ** 2)) < 0.01 * chord.max()


def test_feldkamp_returns_a_ball_where_it_was() -> None:
    n = 32
    z, y, x = np.mgrid[0:n, 0:n, 0:n] - (n - 1) / 2
    soft = 1 / (1 + np.exp(np.sqrt((z - 4) ** 2 + (y + 5) ** 2 + (x - 3) ** 2) - 6))
    ball = soft.astype(np.float32)
    field = ConeField.around((n, n, n), (0.01, 0.01, 0.01), source=1.0)
    angles = 2 * np.pi * np.arange(100) / 100
    volume = np.ascontiguousarray(ball.reshape(n, -1).T)
    views = np.stack([cone_view(field, volume, a, 1)[:, 0] for a in angles])
    back = feldkamp(views, angles, field, threads=2)
    assert np.abs(back - ball).max() < 0.08
    assert np.sqrt(np.mean((back - ball) ** 2)) < 0.01
