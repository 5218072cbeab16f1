"""In what RepRap-style firmwares differ, as far as the meaning of a print depends on it."""

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True, slots=True)
class Dialect:
    """How one firmware reads the lines on which firmwares disagree.

    `lower_case`: lower-case commands and words are carried out; else they are answered and do nothing.

    `extruder_follows`: what G90 and G91 do to the extruder. "set": they set its mode as well, clearing an earlier M82
    or M83. "over": it is relative while G91 or M83 is in force, and G90 does not clear M83. "apart": nothing.

    `bare_g92_zeroes`: G92 without words makes all axes zero; else it changes nothing.

    `g10_retracts`: G10 and G11 are firmware retraction; else G10 sets offsets and moves nothing.

    `exponents`: a lower-case e directly after digits starts an exponent. An upper-case E never does, since words may
    stand without spaces between them.

    `brackets_comment`: text in ( ) is a comment, except in lines that carry free text.

    `home_mm`: where homing leaves X, Y and Z. `arc_tolerance_mm`: how far a chord may stray from its arc.
    """

    lower_case: bool = False
    extruder_follows: Literal["set", "over", "apart"] = "set"
    bare_g92_zeroes: bool = False
    g10_retracts: bool = True
    exponents: bool = False
    brackets_comment: bool = True
    home_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)
    arc_tolerance_mm: float = 0.01
