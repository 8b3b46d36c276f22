"""The types of numpy's arrays in signatures, whose shapes and units the docstrings tell."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
AnyArray = NDArray[Any]  # of numbers, texts or others
Flags = NDArray[np.bool_]
