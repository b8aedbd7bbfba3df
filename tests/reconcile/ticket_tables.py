"""Reports and tickets for tests: written by hand, or simulated with known true ratios."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

START = pd.Timestamp("2026-12-01T00:00", tz="UTC")
KEYS = ["storm", "truck_id", "material"]


def hours(count: float) -> pd.Timestamp:
    return START + pd.Timedelta(hours=count)


def reports(*rows: tuple[str, str, float]) -> pd.DataFrame:
    """Storm, truck, reported mass; the material is salt."""
    return pd.DataFrame(
        [(storm, truck, "salt", mass) for storm, truck, mass in rows],
        columns=[*KEYS, "reported_lb"],
    )


def load_tickets(*rows: tuple[str, str, float, float]) -> pd.DataFrame:
    """Storm, truck, hour, net mass; every scale shows 20 lb."""
    frame = pd.DataFrame(
        [(storm, truck, "salt", hours(at), net, 20.0) for storm, truck, at, net in rows],
        columns=[*KEYS, "loaded_at", "net_lb", "scale_division_lb"],
    )
    return frame.astype({"loaded_at": "datetime64[ns, UTC]", "net_lb": float})


def return_tickets(*rows: tuple[str, str, float, float]) -> pd.DataFrame:
    """Storm, truck, hour, net mass."""
    frame = pd.DataFrame(
        [(storm, truck, "salt", hours(at), net) for storm, truck, at, net in rows],
        columns=[*KEYS, "returned_at", "net_lb"],
    )
    return frame.astype({"returned_at": "datetime64[ns, UTC]", "net_lb": float})


@dataclass(frozen=True)
class Season:
    """A simulated season: ``ratio`` is the true one of trucks T0, T1, …"""

    ratio: np.ndarray
    reported: pd.DataFrame
    loads: pd.DataFrame
    returns: pd.DataFrame


def simulated_season(
    rng: np.random.Generator,
    ratio: np.ndarray,
    storms: int = 3,
    scatter: float = 0.02,
    missing: float = 0.0,
    returned: float = 1.0,
) -> Season:
    """Storms of two to six loads of about six tons each.

    ``scatter`` is the storm-to-storm standard deviation of a truck's ratio, ``missing`` the share
    of load tickets that get lost, ``returned`` the share of trucks that write a return ticket; of
    the others seven in ten come home empty, the rest with anything up to a load.
    """
    told, out, back = [], [], []
    for storm in map(str, range(storms)):
        for number, true_ratio in enumerate(ratio):
            truck = f"T{number}"
            nets = 14000.0 * rng.uniform(0.85, 1.0, int(rng.integers(2, 7)))
            writes = rng.random() < returned
            full = writes or rng.random() < 0.3
            left = rng.uniform(0.0, 1.0) * nets[-1] if full else 0.0
            spread = nets.sum() - left
            told.append((storm, truck, spread / true_ratio * np.exp(rng.normal(0.0, scatter))))
            out += [
                (storm, truck, float(at), 20.0 * np.round(net / 20.0))
                for at, net in enumerate(nets)
                if rng.random() >= missing
            ]
            if writes:
                back.append((storm, truck, float(nets.size), 20.0 * np.round(left / 20.0)))
    return Season(ratio, reports(*told), load_tickets(*out), return_tickets(*back))
