"""Frozen values that flow between the rooms; no files, clocks or logging here."""

from rigcheck.model._arrays import ImageArray
from rigcheck.model.board import BoardMeasurement, BoardSpec
from rigcheck.model.calibration import (
    Calibration,
    CalibrationRun,
    CameraCalibration,
    FaceVolume,
    ModelScore,
    StereoCalibration,
    ViewResult,
    ViewSide,
    WantedView,
)
from rigcheck.model.camera import DISTORTION_LENGTHS, CameraModel, LensModel, RigidTransform, StereoRig
from rigcheck.model.estimate import Estimate, FitSummary
from rigcheck.model.face import FACE_POINTS, N_FACE_POINTS, FaceLandmarks, MarkedPoints
from rigcheck.model.frame import ClipInfo, Finding, Frame, FrameRef
from rigcheck.model.matches import PatchMatches
from rigcheck.model.observation import Observation, Rejection
from rigcheck.model.performer import ApprovedFitting, Knock, PerformerLooks, PerformerRecord, Worn
from rigcheck.model.result import CheckResult, EffectiveLimit, Provenance, Report, Status
from rigcheck.model.rigfile import CameraDescription, Proxy, RigDescription

__all__ = [
    "DISTORTION_LENGTHS",
    "FACE_POINTS",
    "N_FACE_POINTS",
    "ApprovedFitting",
    "BoardMeasurement",
    "BoardSpec",
    "Calibration",
    "CalibrationRun",
    "CameraCalibration",
    "CameraDescription",
    "CameraModel",
    "CheckResult",
    "ClipInfo",
    "EffectiveLimit",
    "Estimate",
    "FaceLandmarks",
    "FaceVolume",
    "Finding",
    "FitSummary",
    "Frame",
    "FrameRef",
    "ImageArray",
    "Knock",
    "LensModel",
    "MarkedPoints",
    "ModelScore",
    "Observation",
    "PatchMatches",
    "PerformerLooks",
    "PerformerRecord",
    "Provenance",
    "Proxy",
    "Rejection",
    "Report",
    "RigDescription",
    "RigidTransform",
    "Status",
    "StereoCalibration",
    "StereoRig",
    "ViewResult",
    "ViewSide",
    "WantedView",
    "Worn",
]
