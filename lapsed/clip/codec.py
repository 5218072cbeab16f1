"""The codecs a clip can have: which encoder, in which pixels and which file, and what it is told; pure.

Names of encoders, options and pixel formats are libavcodec's.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Final, Literal

from lapsed.clip import levels
from lapsed.clip.levels import Level


@dataclass(frozen=True, slots=True)
class Effort:
    """What an encoder may spend: `quality` on x264's scale, `look_ahead` in frames."""

    quality: int
    preset: str
    look_ahead: int
    threads: int


@dataclass(frozen=True, slots=True)
class Pixels:
    """A planar Y'CbCr format by `name`; chroma is halved across, and downwards as well where `both`."""

    name: str
    bits: Literal[8, 10]
    both: bool

    @property
    def bytes_each(self) -> float:
        """How much memory a pixel takes."""
        return (1.5 if self.both else 2.0) * (1 if self.bits == 8 else 2)


@dataclass(frozen=True, slots=True)
class Hunger:
    """What an encoder holds, in bytes for each pixel of the clip: at least, and for each frame of its look-ahead.

    It can't do with fewer than `frames` of these. Each `thread` that encodes a frame of its own holds more.
    """

    least: float
    look_ahead: float = 0.0
    frames: int = 3
    thread: float = 0.0


@dataclass(frozen=True, slots=True)
class Codec:
    """One way to encode a clip.

    `title` is for people, `track` what readers of the file call it, `tag` its four-character code where the usual one
    is not the best. `level` is None where the codec has none that players go by. `least` is the smallest size the
    encoder takes, `most` the longest side a clip has by default. `by_quality` says that the clip's quality counts,
    `joins` that segments can be joined.
    """

    title: str
    encoder: str
    track: str
    container: Literal["mp4", "mov", "webp"]
    pixels: Pixels
    hunger: Hunger
    options: Callable[[Effort], Mapping[str, str]]
    tag: str | None = None
    level: Callable[[tuple[int, int], Fraction, str], Level | None] | None = None
    bits_a_pixel: float = 0.5
    """What a clip takes at most, at quality 18 where quality counts."""
    by_quality: bool = True
    least: tuple[int, int] = (16, 16)
    most: int | None = None
    joins: bool = True

    @property
    def suffix(self) -> str:
        """How the file's name ends."""
        return f".{self.container}"


_YUV420: Final = Pixels("yuv420p", 8, both=True)
_YUV420_10: Final = Pixels("yuv420p10le", 10, both=True)
_YUV422: Final = Pixels("yuv422p", 8, both=False)
_YUV422_10: Final = Pixels("yuv422p10le", 10, both=False)

# Pictures x264 keeps to predict from: its preset's references, at least 4 with its pyramid of B-frames (x264's source).
_KEPT_H264: Final = {"ultrafast": 1, "slow": 5}
# x265 keeps at least two reordered pictures, two more and the current one, whatever the preset up to slow.
_KEPT_H265: Final = 5
_AV1_PRESET: Final = {"ultrafast": 11, "veryfast": 10, "fast": 9, "medium": 8, "slow": 6}


def _x264(effort: Effort) -> Mapping[str, str]:
    return {
        "crf": str(effort.quality),
        "preset": effort.preset,
        "profile": "high",
        "x264-params": ":".join(
            (
                f"rc-lookahead={effort.look_ahead}",
                # Looking ahead gets a thread of its own, with one frame for it and not the four that x264 would take.
                "sync-lookahead=1",
                # A rate that may change costs one frame more, kept to see how long each is shown.
                "force-cfr=1",
                f"threads={effort.threads}",
                # JPEG's chroma samples lie in the middle of four pixels, which H.264 calls location 1 (Annex E,
                # figure E-1); scaling keeps them there.
                "chromaloc=1",
            )
        ),
    }


def _x265(effort: Effort) -> Mapping[str, str]:
    return {
        "crf": str(effort.quality),
        "preset": effort.preset,
        # Segments must begin anew to be joined (open-gop), and have the same headers (info writes the options there).
        "x265-params": (
            f"log-level=error:info=0:open-gop=0:chromaloc=1:rc-lookahead={effort.look_ahead}"
            f":pools={effort.threads}:frame-threads=1"
        ),
    }


def _svt_av1(effort: Effort) -> Mapping[str, str]:
    return {
        # Its scale ends at 63 where x264's ends at 51.
        "crf": str(min(63, round(effort.quality * 63 / 51))),
        "preset": str(_AV1_PRESET[effort.preset]),
        # With more parallelism it stood still for ever in one of some 200 short clips on a busy computer, and
        # packets overtook others; on two cores it costs 5 % of the time, and takes 14 % less memory.
        "svtav1-params": f"lp=1:lookahead={effort.look_ahead}",
    }


def _prores(_effort: Effort) -> Mapping[str, str]:
    return {"profile": "hq", "vendor": "apl0"}


def _webp(effort: Effort) -> Mapping[str, str]:
    return {"quality": str(max(10, 100 - 2 * effort.quality)), "compression_level": "4"}


def _h264_level(size: tuple[int, int], rate: Fraction, preset: str) -> Level | None:
    return levels.h264(size, rate, _KEPT_H264.get(preset, 4))


def _h265_level(size: tuple[int, int], rate: Fraction, _preset: str) -> Level | None:
    return levels.h265(size, rate, _KEPT_H265)


def _dnxhr(title: str, profile: str, pixels: Pixels) -> Codec:
    return Codec(
        title,
        "dnxhd",
        "dnxhd",
        "mov",
        pixels,
        Hunger(30),
        lambda _effort: {"profile": profile},
        bits_a_pixel=4,
        by_quality=False,
        least=(256, 120),
    )


CODECS: Final[Mapping[str, Codec]] = {
    "h264": Codec("H.264", "libx264", "h264", "mp4", _YUV420, Hunger(25, 3.4, thread=11), _x264, level=_h264_level),
    # x265 has to look ahead further than the four B-frames in a row of its presets, or it can't be opened.
    "h265": Codec(
        "H.265", "libx265", "hevc", "mp4", _YUV420_10, Hunger(162, 6.6, 5), _x265, tag="hvc1", level=_h265_level
    ),
    "av1": Codec("AV1", "libsvtav1", "av1", "mp4", _YUV420_10, Hunger(190, 1.7), _svt_av1, least=(64, 64)),
    "prores": Codec(
        "ProRes 422 HQ",
        "prores_ks",
        "prores",
        "mov",
        _YUV422_10,
        Hunger(14),
        _prores,
        bits_a_pixel=6,
        by_quality=False,
    ),
    "dnxhr": _dnxhr("DNxHR HQ", "dnxhr_hq", _YUV422),
    "dnxhr-hqx": _dnxhr("DNxHR HQX", "dnxhr_hqx", _YUV422_10),
    "preview": Codec(
        "animated WebP", "libwebp_anim", "webp", "webp", _YUV420, Hunger(20), _webp, most=640, joins=False
    ),
}
"""Every codec that encodes, by its word in the configuration; `master` encodes nothing."""
