"""The TOML file as frozen values; unknown keys are refused.

Every field carries its unit in its name or type and a sentence that says why one would change it.
"""

from lapsed.settings.base import (
    STANDARD_RATES,
    Name,
    NonNegativeMm,
    Part,
    Point,
    Pointer,
    PositiveMm,
    PositiveS,
    Rate,
    Share,
    parse_rate,
)
from lapsed.settings.cadence import Cadence
from lapsed.settings.camera import Camera, GphotoCamera, SceneCamera
from lapsed.settings.camera_part import CameraPart, Power
from lapsed.settings.capture import CaptureCamera, StreamCamera
from lapsed.settings.clip import DEFAULT_CLIPS, Clip, CodecName, Colour, Corner, Stitch
from lapsed.settings.files import Files
from lapsed.settings.judge import Droppable, Fault, Judge, Region
from lapsed.settings.link import BridgeLink, Call, Facts, FeedLink, Link, SignalLink, States
from lapsed.settings.machine import Axes, Bed, Firmware, Machine, Motors, Rectangle, RectBed, Retraction, RoundBed
from lapsed.settings.notice import Notice
from lapsed.settings.release_line import ReleaseCamera
from lapsed.settings.requested import CommandCamera, UrlCamera
from lapsed.settings.web import Web
from lapsed.settings.whole import Printer, Settings, Store

__all__ = [
    "DEFAULT_CLIPS",
    "STANDARD_RATES",
    "Axes",
    "Bed",
    "BridgeLink",
    "Cadence",
    "Call",
    "Camera",
    "CameraPart",
    "CaptureCamera",
    "Clip",
    "CodecName",
    "Colour",
    "CommandCamera",
    "Corner",
    "Droppable",
    "Facts",
    "Fault",
    "FeedLink",
    "Files",
    "Firmware",
    "GphotoCamera",
    "Judge",
    "Link",
    "Machine",
    "Motors",
    "Name",
    "NonNegativeMm",
    "Notice",
    "Part",
    "Point",
    "Pointer",
    "PositiveMm",
    "PositiveS",
    "Power",
    "Printer",
    "Rate",
    "RectBed",
    "Rectangle",
    "Region",
    "ReleaseCamera",
    "Retraction",
    "RoundBed",
    "SceneCamera",
    "Settings",
    "Share",
    "SignalLink",
    "States",
    "Stitch",
    "Store",
    "StreamCamera",
    "UrlCamera",
    "Web",
    "parse_rate",
]
