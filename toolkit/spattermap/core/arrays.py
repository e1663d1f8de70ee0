"""Short names for numpy arrays by the kind of their values, used in annotations."""

from typing import Any

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]
Bools = npt.NDArray[np.bool_]
Labels = npt.NDArray[np.int32]
Integers = npt.NDArray[np.int64]
Array = npt.NDArray[Any]  # of any kind
