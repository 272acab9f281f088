"""A DICOM series that names an invented patient, for the test that no such name leaves."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from pydicom.dataset import FileDataset, FileMetaDataset
from pydicom.uid import CTImageStorage, ExplicitVRLittleEndian, generate_uid


def write_series(folder: Path, shape_zyx: tuple[int, int, int], spacing_mm: float) -> None:
    """Write a CT series of noise, one file a slice."""
    folder.mkdir()
    series, study = generate_uid(), generate_uid()
    values = np.random.default_rng(3).integers(0, 900, shape_zyx, np.uint16)
    for n, page in enumerate(values):
        meta = FileMetaDataset()
        meta.MediaStorageSOPClassUID, meta.MediaStorageSOPInstanceUID = CTImageStorage, generate_uid()
        meta.TransferSyntaxUID = ExplicitVRLittleEndian
        data = FileDataset(None, {}, file_meta=meta, preamble=bytes(128))
        data.SOPClassUID, data.SOPInstanceUID = CTImageStorage, meta.MediaStorageSOPInstanceUID
        data.StudyInstanceUID, data.SeriesInstanceUID, data.Modality = study, series, "CT"
        data.PatientName, data.PatientID, data.PatientBirthDate = "Doe^Jane", "PAT-4711", "19700102"
        data.InstitutionName, data.SeriesDescription = "Clinic of Nowhere", "head"
        data.ImagePositionPatient = [0.0, 0.0, n * spacing_mm]
        data.ImageOrientationPatient = [1, 0, 0, 0, 1, 0]
        data.PixelSpacing, data.SliceThickness, data.InstanceNumber = [spacing_mm] * 2, spacing_mm, n + 1
        data.Rows, data.Columns = page.shape
        data.SamplesPerPixel, data.PhotometricInterpretation = 1, "MONOCHROME2"
        data.BitsAllocated = data.BitsStored = 16
        data.HighBit, data.PixelRepresentation = 15, 0
        data.RescaleSlope, data.RescaleIntercept = 1, -1024
        data.PixelData = page.tobytes()
        data.save_as(folder / f"{n:04d}.dcm", enforce_file_format=True)
