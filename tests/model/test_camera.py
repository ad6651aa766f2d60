"""Lens profiles: what may stand in one."""

import numpy as np
import pytest
from pydantic import ValidationError

from digitize.model.camera import LensProfile, focal_from_35mm


def profile(parameters: int, rows: int) -> LensProfile:
    square = tuple(tuple(float(i == j) for j in range(parameters)) for i in range(rows))
    return LensProfile(size=(4000, 3000), parameters=(1.0,) * parameters, covariance=square, rms_px=0.1)


@pytest.mark.parametrize("parameters", [9, 12])
def test_a_profile_comes_back_from_its_file_form(parameters: int) -> None:
    kept = profile(parameters, parameters)
    assert LensProfile.model_validate_json(kept.model_dump_json()) == kept


@pytest.mark.parametrize(("parameters", "rows"), [(8, 8), (10, 10), (9, 8)])
def test_a_profile_of_another_lens_model_is_refused(parameters: int, rows: int) -> None:
    with pytest.raises(ValidationError, match="9 or 12 parameters"):
        profile(parameters, rows)


def test_the_35_mm_equivalent_keeps_the_angle_over_the_diagonal() -> None:
    # A 36 x 24 mm frame of 3600 x 2400 px has 100 px per mm whatever the lens.
    assert focal_from_35mm(26.0, (3600, 2400)) == pytest.approx(2600.0)
    assert focal_from_35mm(26.0, (4000, 3000)) == pytest.approx(26.0 / np.hypot(36, 24) * 5000)
