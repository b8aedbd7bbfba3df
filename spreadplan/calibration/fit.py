"""Weighted least squares with uncertainty: the one fitting routine of the package.

All arrays are plain float64. Units are those of the caller.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from spreadplan.metrology import propagate

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class LinearFit:
    """Result of a weighted linear fit.

    values : estimates, shape (p,).
    covariance : their covariance, shape (p, p), already multiplied by ``scale``.
    scale : variance factor s**2; 1 means that the residuals are as large as ``sd`` says.
    dof : degrees of freedom of ``scale``, those of the prior included.
    residuals : response minus fitted response, shape (n,), in the unit of the response.
    """

    values: FloatArray
    covariance: FloatArray
    scale: float
    dof: float
    residuals: FloatArray

    @property
    def standard_u(self) -> FloatArray:
        """Standard uncertainty of each value, shape (p,)."""
        return np.sqrt(np.diag(self.covariance))


@dataclass(frozen=True, eq=False, kw_only=True)
class LineFit:
    """Straight line ``y = intercept + slope * x`` with its uncertainty."""

    intercept: float
    slope: float
    intercept_u: float
    slope_u: float
    covariance: FloatArray
    residual_sd: float
    dof: float

    def predict(self, x: FloatArray | float) -> tuple[FloatArray, FloatArray]:
        """Value of the line at x and its standard uncertainty, both of the shape of x."""
        at = np.asarray(x, dtype=float)
        gradient = np.stack([np.ones_like(at), at], axis=-1)
        return self.intercept + self.slope * at, propagate(gradient, self.covariance)


def weighted_least_squares(
    design: FloatArray, response: FloatArray, sd: FloatArray, prior_dof: float = 0.0
) -> LinearFit:
    """Fit a linear model by weighted least squares.

    Parameters
    ----------
    design : shape (n, p), full column rank.
    response : shape (n,).
    sd : assumed standard deviation of each response, > 0, shape (n,).
    prior_dof : degrees of freedom that the statement "``sd`` is right" is worth, >= 0. With 0 and
        sd = 1 this is ordinary least squares.

    Returns
    -------
    LinearFit. Its variance factor is
    (prior_dof + sum((residual / sd)**2)) / (prior_dof + n - p).

    Raises
    ------
    ValueError : shapes disagree, an sd is not positive, no degree of freedom is left, or the
        columns of the design are linearly dependent.

    Source: JCGM 100:2008, H.3, for the unweighted case; the prior enters as a scaled inverse
    chi-squared distribution of the variance factor centred on one.
    """
    n, p = design.shape
    if response.shape != (n,) or sd.shape != (n,):
        raise ValueError(f"design has {n} rows, response {response.shape}, sd {sd.shape}")
    if not np.all(sd > 0.0):
        raise ValueError(f"row {int(np.argmin(sd > 0.0))}: sd must be positive")
    dof = prior_dof + n - p
    if dof <= 0.0 or n < p:
        raise ValueError(f"{n} rows cannot determine {p} values and their uncertainty")

    weighted = design / sd[:, None]
    target = response / sd
    # Columns of like size, so that the rank check and the solution do not depend on their units.
    size = np.sqrt(np.sum(weighted**2, axis=0))
    if not np.all(size > 0.0):
        raise ValueError("a column of the design is zero")
    weighted = weighted / size
    orthogonal, triangle = np.linalg.qr(weighted)
    diagonal = np.abs(np.diag(triangle))
    if diagonal.min() <= np.finfo(float).eps * n * diagonal.max():
        raise ValueError("columns of the design are linearly dependent")

    scaled = np.linalg.solve(triangle, orthogonal.T @ target)
    # One step of refinement wins back digits on ill-conditioned designs.
    scaled = scaled + np.linalg.solve(triangle, orthogonal.T @ (target - weighted @ scaled))
    remainder = target - weighted @ scaled
    scale = (prior_dof + float(remainder @ remainder)) / dof
    inverse = np.linalg.solve(triangle, np.eye(p))
    covariance = scale * (inverse @ inverse.T) / np.outer(size, size)
    return LinearFit(scaled / size, covariance, scale, dof, remainder * sd)


def fit_line(
    x: FloatArray, y: FloatArray, sd: FloatArray | None = None, prior_dof: float = 0.0
) -> LineFit:
    """Fit ``y = intercept + slope * x``.

    Parameters
    ----------
    x, y : in any unit each, shape (n,).
    sd : standard deviation of each y, > 0, in the unit of y, shape (n,); None: all equal and learnt
        from the residuals.
    prior_dof : see `weighted_least_squares`.

    Returns
    -------
    LineFit; ``residual_sd`` is the residual standard deviation in units of ``sd``.

    Raises
    ------
    ValueError : see `weighted_least_squares`; x all alike counts as linearly dependent.

    >>> fit_line(np.array([0.0, 1.0, 2.0]), np.array([1.0, 3.0, 5.0])).slope.__round__(9)
    2.0
    """
    sd = np.ones_like(x) if sd is None else sd
    fit = weighted_least_squares(np.column_stack([np.ones_like(x), x]), y, sd, prior_dof)
    return LineFit(
        intercept=float(fit.values[0]),
        slope=float(fit.values[1]),
        intercept_u=float(fit.standard_u[0]),
        slope_u=float(fit.standard_u[1]),
        covariance=fit.covariance,
        residual_sd=float(np.sqrt(fit.scale)),
        dof=fit.dof,
    )
