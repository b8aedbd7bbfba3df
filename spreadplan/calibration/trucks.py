"""What calibration needs to know of a truck."""

from dataclasses import dataclass

import pandas as pd


@dataclass(frozen=True)
class TruckLimits:
    """A truck's control and limits.

    closed_loop : the controller regulates by sensor counts.
    capacity_lb : what the hopper holds.
    min_feeder_pct, max_feeder_pct : range of the feeder output, percent.
    gates_in : gate positions, inches, ascending; may be empty.
    """

    closed_loop: bool
    capacity_lb: float
    min_feeder_pct: float
    max_feeder_pct: float
    gates_in: tuple[float, ...]


def trucks_by_id(trucks: pd.DataFrame) -> dict[str, TruckLimits]:
    """Trucks by truck_id, from the table of trucks.

    Parameters
    ----------
    trucks : truck_id, control, capacity_lb, min_feeder_pct, max_feeder_pct, gate_positions_in.

    Returns
    -------
    The limits of each truck; of a truck_id that stands there twice, the last.
    """
    return {
        str(truck_id): TruckLimits(
            closed_loop=control == "closed_loop",
            capacity_lb=float(capacity_lb),
            min_feeder_pct=float(low),
            max_feeder_pct=float(high),
            gates_in=tuple(sorted(float(gate) for gate in gates)),
        )
        for truck_id, control, capacity_lb, low, high, gates in zip(
            trucks["truck_id"],
            trucks["control"],
            trucks["capacity_lb"],
            trucks["min_feeder_pct"],
            trucks["max_feeder_pct"],
            trucks["gate_positions_in"],
            strict=True,
        )
    }
