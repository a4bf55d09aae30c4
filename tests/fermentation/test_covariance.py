"""The covariances change as the matrices do that change the state, and stay exactly symmetric."""

from __future__ import annotations

import numpy as np

from fermentation.belief import FloatArray
from fermentation.covariance import mix, scale, widened


def random_covariance(m: int = 5, n: int = 7) -> FloatArray:
    root = np.random.default_rng(3).standard_normal((m, m, n))
    covariance: FloatArray = np.einsum("jln,kln->jkn", root, root)
    return covariance


def test_a_state_that_becomes_a_mixture_changes_the_covariance_as_its_matrix_does() -> None:
    exact, draw = random_covariance(), np.random.default_rng(4)
    keep, share = draw.uniform(0.1, 2.0, (2, exact.shape[-1]))
    turned = np.eye(5)[:, :, None] * np.ones(7)
    turned[1, 1], turned[1, 3] = keep, share

    mixed, scaled = exact.astype(np.float32), exact.astype(np.float32)
    mix(mixed, 1, keep, 3, share)
    np.testing.assert_allclose(mixed, np.einsum("ijn,jkn,lkn->iln", turned, exact, turned), rtol=1e-4, atol=1e-5)
    turned[1, 3] = 0.0
    scale(scaled, 1, keep)
    np.testing.assert_allclose(scaled, np.einsum("ijn,jkn,lkn->iln", turned, exact, turned), rtol=1e-4, atol=1e-5)


def test_products_are_added_and_the_result_is_exactly_symmetric() -> None:
    exact, draw = random_covariance(), np.random.default_rng(5)
    along, factor = draw.standard_normal((5, 7)), draw.standard_normal(7)

    wider = widened(exact.astype(np.float32), along, factor)

    np.testing.assert_allclose(wider, exact + along[:, None] * along[None, :] * factor, rtol=1e-4, atol=1e-5)
    assert (wider == wider.transpose(1, 0, 2)).all()
