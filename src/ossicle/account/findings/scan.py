"""Findings about the scan itself and the pose of the skull in it."""

from __future__ import annotations

from ossicle.reading.records import Reading

from ..records import Evidence, Finding, ScanFacts
from ..views import whole_skull
from ..words import length, number, sure

__all__ = ["pose_findings", "scan_findings"]


def scan_findings(reading: Reading, scan: ScanFacts) -> list[Finding]:
    """Return size, resolution and greys of the scan."""
    slices, rows, columns = scan.shape_zyx
    z, y, x = scan.spacing_mm_zyx
    if max(z, y, x) - min(z, y, x) < 1e-6 * max(z, y, x):
        voxel = f"voxels of {length(x)} a side"
    else:
        voxel = f"voxels of {length(x)} (column) by {length(y)} (row) by {length(z)} (slice)"
    size = " by ".join(number(n * s) for n, s in ((columns, x), (rows, y), (slices, z)))
    geometry = Finding(
        id="scan/size",
        region="scan",
        subject="size",
        statement=f"The scan has {slices} slices of {columns} by {rows} {voxel}, {size} mm in all.",
        value=[round(columns * x, 4), round(rows * y, 4), round(slices * z, 4)],
        unit="mm",
        method="scan.geometry",
        confidence=1.0,
    )
    s = reading.statistics
    blur = (
        f"blur has a standard deviation of {length(s.blur_sigma_mm)}, and bone stands "
        f"{number(s.contrast_to_noise, 2)} times the noise above air"
    )
    if reading.teeth:
        wet = "wet (fluid fills the open spaces)" if s.wet else "dry (air fills the open spaces)"
        apart = s.enamel is not None and s.enamel > s.dentine
        enamel = f"enamel {'can' if apart else 'cannot'} be told from dentine by its greys"
        blur = f"The specimen was scanned {wet}; {blur}; {enamel}."
    else:
        blur = f"By its greys {blur}, if the densest material in it is bone."
    greys = Finding(
        id="scan/greys",
        region="scan",
        subject="greys",
        statement=blur,
        value=round(s.contrast_to_noise, 3),
        unit="1",
        method="scan.greys",
        confidence=0.9,
    )
    return [geometry, greys, *_density(reading)]


def _density(reading: Reading) -> list[Finding]:
    """Return the densities of bone and enamel where a phantom stood in the scan."""
    s = reading.statistics
    if s.calibration is None:
        return []
    scale, error = s.calibration, s.calibration.error
    bone = scale.density(s.bone)
    said = f"bone most often has {number(bone)} ± {number(error, 2)} g/cm³ of hydroxyapatite"
    if s.enamel is not None:
        said += f", enamel {number(scale.density(s.enamel))} g/cm³ (beyond the phantom, if denser than its rods)"
    return [
        Finding(
            id="scan/density",
            region="scan",
            subject="density",
            statement=f"By {scale.rods} rods of the density phantom in the scan, {said}.",
            value=round(bone, 4),
            unit="g/cm³",
            method="scan.density",
            confidence=0.9,
        )
    ]


def pose_findings(reading: Reading, scan: ScanFacts) -> list[Finding]:
    """Return whether a skull pose was found, how sure it is, and how left and right were settled."""
    pose = reading.pose
    if not pose.found:
        lost = "No skull pose was found, so nothing is told of left, right, up or front."
        return [Finding("pose/found", "pose", "pose", lost, "pose.symmetry", 1 - pose.confidence, value=False)]
    doubts = [
        f"{what} is {sure(value)}"
        for what, value in (
            ("which way is up", pose.up_confidence),
            ("which end is the snout", pose.front_confidence),
        )
        if value < 0.95
    ]
    statement = f"The midplane and long axis of the skull were found ({sure(pose.confidence)})"
    statement += "; " + ", ".join(doubts) + "." if doubts else ", with up and front."
    evidence = Evidence((), whole_skull("dorsal", "The skull in dorsal view; the midplane runs up the page."))
    found = Finding(
        "pose/found",
        "pose",
        "pose",
        statement,
        "pose.symmetry",
        pose.confidence,
        value=True,
        evidence=evidence,
    )
    return [found, _handedness(scan)]


def _handedness(scan: ScanFacts) -> Finding:
    said = {
        "stated": ("Left and right follow the orientation that the source states.", 0.98),
        "mirrored": ("Left and right follow the person's word that the stack is mirrored.", 0.95),
        "assumed": (
            "Left and right rest on an assumption: the source states no orientation, so columns, rows and "
            "slices were taken "
            "as right-handed; if the stack is mirrored, left and right are swapped.",
            0.75,
        ),
    }
    statement, confidence = said[scan.handedness]
    return Finding(
        "pose/left-and-right",
        "pose",
        "left and right",
        statement,
        "pose.handedness",
        confidence,
        value=scan.handedness,
    )
