"""Names for the arrays that go around, one for each kind of number; the shape stands where used."""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]
Colors = NDArray[np.uint8]
