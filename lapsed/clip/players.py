"""What common players can decode, and what to choose where a clip is more than that; pure.

Hardware decoders of common players and televisions stop at level 5.2 and 4096 wide for H.264, and at 8192 wide for
H.265 and AV1, of which many stop at 4096 as well (common practice, no source). Software on a fast computer does more.
"""

from fractions import Fraction
from typing import Final

from lapsed.clip.codec import CODECS, Codec
from lapsed.clip.levels import Level

_LONGEST: Final = {"h264": 4096, "h265": 8192, "av1": 8192}
_HIGHEST: Final = {"h264": 5.2, "h265": 6.2}
_ALWAYS_KBIT_S: Final = {"h264": 62_500, "h265": 40_000}
"""What players take of the smallest pictures as well: no decoder in use is made for less than level 4.1 of H.264 and
5.1 of H.265 (common practice, no source), whose bits these are (H.264, Table A-1 and A.3.3; H.265, Table A.8, Main)."""


def advice(word: str, size: tuple[int, int], rate: Fraction, preset: str) -> str | None:
    """What to say of a clip of `size` by the codec `word`, as the end of a sentence; None where players take it."""
    codec = CODECS[word]
    if word not in _LONGEST or _plays(word, codec, size, rate, preset):
        return None
    level = _level(codec, size, rate, preset)
    what = f"{codec.title} level {level.number}" if level else f"{codec.title} beyond every level"
    if codec.level is None:
        what = codec.title
    fitting = _smaller(word, codec, size, rate, preset)
    others = [name for name in _LONGEST if name != word and _plays(name, CODECS[name], size, rate, preset)]
    ways = [f"size_px = [{fitting[0]}, {fitting[1]}]" if fitting else "a lower rate"]
    ways += [f'codec = "{name}"' for name in others[:1]]
    highest = f" and level {_HIGHEST[word]}" if word in _HIGHEST else ""
    return (
        f"{size[0]}x{size[1]}, {what}, which common players can't decode: they stop at {_LONGEST[word]} wide{highest}; "
        f"{' or '.join(ways)} plays on more"
    )


def exceeded(word: str, level: Level, bits: int, seconds: Fraction) -> str | None:
    """What to say of a clip that takes more bits a second than decoders of its level need; None where it doesn't."""
    most = max(level.most_kbit_s, _ALWAYS_KBIT_S[word])
    rate = bits / float(seconds) / 1e6
    if rate * 1000 <= most:
        return None
    return (
        f"takes {rate:.0f} Mbit/s, and players made for its level, {level.number}, need take no more than "
        f"{most / 1000:g}: some may stutter; a higher quality figure makes it smaller"
    )


def _level(codec: Codec, size: tuple[int, int], rate: Fraction, preset: str) -> Level | None:
    return codec.level(size, rate, preset) if codec.level else None


def _plays(word: str, codec: Codec, size: tuple[int, int], rate: Fraction, preset: str) -> bool:
    if max(size) > _LONGEST[word]:
        return False
    level = _level(codec, size, rate, preset)
    return codec.level is None or (level is not None and float(level.number) <= _HIGHEST[word])


def _smaller(word: str, codec: Codec, size: tuple[int, int], rate: Fraction, preset: str) -> tuple[int, int] | None:
    """The largest size of that shape that plays, its longer side a multiple of 16; None where the rate is too much."""
    for longest in range(min(_LONGEST[word], max(size)) // 16 * 16, 0, -16):
        smaller = _scaled(size, longest)
        if _plays(word, codec, smaller, rate, preset):
            return smaller
    return None


def _scaled(size: tuple[int, int], longest: int) -> tuple[int, int]:
    """The even size of the same shape whose longer side is `longest`."""
    width, height = (max(2, 2 * round(Fraction(side * longest, 2 * max(size)))) for side in size)
    return width, height
