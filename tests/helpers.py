"""What tests share."""

import numpy as np


def agree(got, want, *, rel, why):
    """Assert closeness; a tolerance too wide to fail is itself an error."""
    if not 0.0 < rel <= 0.1 or not why:
        raise ValueError("give rel in (0, 0.1] and say why")
    np.testing.assert_allclose(got, want, rtol=rel, atol=0.0)
