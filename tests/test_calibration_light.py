"""The fitted light against plain linear-Gaussian algebra done the long way (scipy, one big covariance)."""

from __future__ import annotations

import numpy as np
from scipy.stats import multivariate_normal

from calibration.light import group_evidence, posterior, prepare
from calibration.profile import default_profile

PROFILE = default_profile()
MODEL = PROFILE.model
PREPARED = prepare(PROFILE)


def joint_of_cells(cells: list[tuple[int, int]]) -> tuple[np.ndarray, np.ndarray]:
    """Prior mean and covariance of the features of (face, colour) cells, written out."""
    mean = np.concatenate([MODEL.mean[k] for _, k in cells])
    cov = np.zeros((3 * len(cells), 3 * len(cells)))
    for a, (face_a, ka) in enumerate(cells):
        for b, (face_b, kb) in enumerate(cells):
            block = MODEL.picture_cov[3 * ka : 3 * ka + 3, 3 * kb : 3 * kb + 3].copy()
            if face_a == face_b:
                block += MODEL.face_cov
            if a == b:
                block += MODEL.cell_cov[ka]
            cov[3 * a : 3 * a + 3, 3 * b : 3 * b + 3] = block
    return mean, cov


def test_posterior_is_the_conditional_of_the_joint_gaussian() -> None:
    rng = np.random.default_rng(2)
    seen = [(0, 0), (0, 2), (1, 4), (2, 1)]
    asked = [(0, 3), (1, 4), (2, 5)]
    noise = np.diag(rng.uniform(0.02, 0.2, 3) ** 2)
    values = np.array([MODEL.mean[k] for _, k in seen]) + rng.normal(0, 0.3, (4, 3))
    told, pull = np.zeros((1, 3, 6, 3, 3)), np.zeros((1, 3, 6, 3))
    for (face, k), x in zip(seen, values, strict=True):
        told[0, face, k] = np.linalg.inv(noise)
        pull[0, face, k] = told[0, face, k] @ x
    fit = posterior(PREPARED, told, pull)

    own = [cell for cell in asked if cell in seen]
    others = [cell for cell in asked if cell not in seen]
    mean, cov = joint_of_cells(seen + others)
    m = 3 * len(seen)
    gain = cov[:, :m] @ np.linalg.inv(cov[:m, :m] + np.kron(np.eye(len(seen)), noise))
    after = mean + gain @ (values.ravel() - mean[:m])
    left = cov - gain @ cov[:m]
    for cell in own + others:
        at = 3 * (seen + others).index(cell)
        face, k = cell
        assert np.allclose(fit.cell_mean[0, face, k], after[at : at + 3], atol=1e-8)
        assert np.allclose(fit.cell_cov[0, face, k], left[at : at + 3, at : at + 3], atol=1e-8)


def test_group_evidence_is_the_density_of_the_joint_gaussian() -> None:
    rng = np.random.default_rng(4)
    labels = np.array([[0, 2, 5], [1, 3, 4], [2, 0, 5]])
    centre = MODEL.mean[[0, 2, 5]] + rng.normal(0, 0.2, (3, 3))
    spread = np.array([np.diag(rng.uniform(0.05, 0.3, 3) ** 2) for _ in range(3)])
    found = group_evidence(PREPARED, centre, spread, labels)
    for row, value in zip(labels, found, strict=True):
        mean, cov = joint_of_cells([(face, int(k)) for face, k in enumerate(row)])
        for g in range(3):
            cov[3 * g : 3 * g + 3, 3 * g : 3 * g + 3] += spread[g]
        assert np.isclose(value, multivariate_normal(mean, cov).logpdf(centre.ravel()), atol=1e-7)


def test_nothing_seen_leaves_the_prior() -> None:
    fit = posterior(PREPARED, np.zeros((1, 2, 6, 3, 3)), np.zeros((1, 2, 6, 3)))
    assert np.allclose(fit.cell_mean[0, 0], MODEL.mean)
    assert np.isclose(fit.log_occam[0], 0.0, atol=1e-7)
    expected = MODEL.picture_cov[:3, :3] + MODEL.face_cov + MODEL.cell_cov[0]
    assert np.allclose(fit.cell_cov[0, 1, 0], expected, atol=1e-8)
