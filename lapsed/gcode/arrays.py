"""The kinds of arrays that G-code is read into."""

import numpy as np
import numpy.typing as npt

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
Bytes = npt.NDArray[np.uint8]
Flags = npt.NDArray[np.bool_]
