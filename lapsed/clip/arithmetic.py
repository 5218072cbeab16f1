"""Frames, rate and length, in exact fractions; pure.

Rates are frames a second as Fractions, so 24000/1001 stays what the standard says and no clip drifts.
"""

from fractions import Fraction


def exact(seconds: float) -> Fraction:
    """The decimal figure a person wrote, as a fraction: 0.1 is 1/10 and not the nearest binary number."""
    return Fraction(str(seconds))


def frames_in(seconds: float, rate: Fraction) -> int:
    """How many frames of `rate` fill `seconds`, to the nearest, halves upwards."""
    count = exact(seconds) * rate
    return (2 * count.numerator + count.denominator) // (2 * count.denominator)


def seconds_of(frames: int, rate: Fraction) -> Fraction:
    """How long `frames` last at `rate`."""
    return frames / rate


def spread(frames: int, shows: int) -> tuple[int, ...]:
    """How often each of `frames` frames is shown so that `shows` output frames come out, as evenly as can be.

    With more output than input every frame is shown, no two counts differing by more than one; with less, the chosen
    frames lie evenly and the first and the last are among them (the last alone where only one is shown).
    """
    counts = [0] * frames
    for k in range(shows):
        if shows >= frames:
            index = k * frames // shows
        elif shows == 1:
            index = frames - 1
        else:
            index = (2 * k * (frames - 1) + shows - 1) // (2 * (shows - 1))
        counts[index] += 1
    return tuple(counts)
