"""Scores of probabilities are those of scikit-learn, and of its documentation."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sklearn.calibration import calibration_curve
from sklearn.metrics import brier_score_loss
from sklearn.metrics import log_loss as reference_log_loss

from advisor.evaluation.scores import brier, calibration, calibration_error, log_loss

PAIRS = st.lists(st.tuples(st.booleans(), st.floats(0, 1, width=16)), min_size=2, max_size=60)


@settings(deadline=None)
@given(PAIRS)
def test_brier_score_is_that_of_the_reference(pairs: list[tuple[bool, float]]) -> None:
    """On any events and beliefs."""
    present, believed = (np.array(one) for one in zip(*pairs, strict=True))
    assert brier(present, believed) == pytest.approx(
        float(np.mean((believed - present) ** 2))
        if len(set(present)) < 2
        else brier_score_loss(present, believed)
    )


@settings(deadline=None)
@given(PAIRS)
def test_log_score_is_that_of_the_reference(pairs: list[tuple[bool, float]]) -> None:
    """On any events and beliefs, those of 0 and 1 included."""
    present, believed = (np.array(one) for one in zip(*pairs, strict=True))
    reference = reference_log_loss(present, believed.astype(np.float64), labels=[False, True])
    assert log_loss(present, believed.astype(np.float64)) == pytest.approx(reference, abs=1e-12)


@settings(deadline=None)
@given(PAIRS, st.integers(2, 12))
def test_calibration_curve_is_that_of_the_reference(pairs: list[tuple[bool, float]], bins: int) -> None:
    """Bin by bin, empty ones left out."""
    present, believed = (np.array(one) for one in zip(*pairs, strict=True))
    curve = calibration(present, believed.astype(np.float64), bins)
    if len(set(present)) == 2:
        seen, mean = calibration_curve(present, believed.astype(np.float64), n_bins=bins)
        assert [one.seen for one in curve] == pytest.approx(seen.tolist())
        assert [one.believed for one in curve] == pytest.approx(mean.tolist())
    assert sum(one.count for one in curve) == len(pairs)


def test_documented_values_of_the_reference_come_out() -> None:
    """Examples of scikit-learn's documentation: Brier 0.0375, log loss 0.21616, a curve in three bins."""
    four = np.array([0, 1, 1, 0]) > 0
    assert brier(four, np.array([0.1, 0.9, 0.8, 0.3])) == pytest.approx(0.0375)
    assert round(log_loss(four[[1, 0, 3, 2]], np.array([0.9, 0.1, 0.2, 0.65])), 5) == 0.21616
    present = np.array([0, 0, 0, 0, 1, 1, 1, 1, 1]) > 0
    curve = calibration(present, np.array([0.1, 0.2, 0.3, 0.4, 0.65, 0.7, 0.8, 0.9, 1.0]), 3)
    assert [one.seen for one in curve] == [0, 0.5, 1]
    assert [one.believed for one in curve] == pytest.approx([0.2, 0.525, 0.85])


def test_calibration_error_is_the_mean_distance_by_counts() -> None:
    """Two bins: 3 events believed at 0.2 of which none was, 1 at 0.8 that was."""
    curve = calibration(np.array([False, False, False, True]), np.array([0.2, 0.2, 0.2, 0.8]), 2)
    assert calibration_error(curve) == pytest.approx((3 * 0.2 + 1 * 0.2) / 4)
