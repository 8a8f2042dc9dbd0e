"""Published orienteering instances, through the search that plans routes."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from obsplan.planning.route.orienteering import best_routes
from obsplan.planning.route.places import places

DATA = Path(__file__).parent / "data"
# Lengths are given to four decimals.
AS_PRINTED = 5e-5


def table(name: str) -> pd.DataFrame:
    return pd.read_csv(DATA / f"{name}.csv", comment="#")


def distances(points: pd.DataFrame) -> np.ndarray:
    at = points[["x", "y"]].to_numpy()
    return np.hypot(*(at[:, None] - at[None]).transpose(2, 0, 1))


SET_2 = table("orienteering_set2")
BEST_2 = table("orienteering_set2_optima")
BEST_IN_WINDOWS = table("orienteering_windows_optima")


def within(tmax: float):
    """Set 2 for a length: from point 0 to point 1."""
    return places(SET_2["score"].to_numpy(), distances(SET_2), latest_end_min=tmax, ends=(1,))


@pytest.mark.parametrize(
    "row", [pytest.param(row, id=str(row.tmax)) for row in BEST_2.itertuples()]
)
def test_set_2_of_tsiligirides(row):
    """Tsiligirides 1984 (J. Oper. Res. Soc. 35, 797), problem set 2, unrounded distances; best
    scores as in Chao, Golden, Wasil 1996 (EJOR 88, 475; from memory)."""
    found = best_routes(within(row.tmax))
    route = found.routes[0]
    assert found.proven
    assert route.value == row.best
    assert route.drive_min <= row.route_length + AS_PRINTED


def test_no_stop_is_lost_to_rounding():
    """The listed route of 210 within 23 takes 22.9995; the shortest of 210 takes 22.6478. Legs
    that are rounded up to whole minutes lose both."""
    listed = [int(k) for k in BEST_2.set_index("tmax")["route"][23].split()]
    legs = distances(SET_2)[listed[:-1], listed[1:]]
    assert legs.sum() == pytest.approx(22.9995, abs=AS_PRINTED)
    assert best_routes(within(22.6478)).routes[0].value == 210
    assert best_routes(within(22.6477)).routes[0].value < 210
    rounded = within(23)._replace(travel_min=np.ceil(distances(SET_2)))
    assert best_routes(rounded).routes[0].value < 210


@pytest.mark.parametrize(
    "row",
    [
        pytest.param(row, id=f"{row.instance}-{row.customers}")
        for row in BEST_IN_WINDOWS.itertuples()
    ],
)
def test_customers_with_time_windows(row):
    """Solomon 1987 (Oper. Res. 35, 254), first customers, one vehicle; those of 50 as in Righini
    and Salani 2009 (Comput. Oper. Res. 36, 1191; from memory)."""
    points = table(f"orienteering_windows_{row.instance}")[: row.customers + 1]
    found = best_routes(
        places(
            points["score"].to_numpy(),
            distances(points),
            latest_end_min=points["close"][0],
            ends=(0,),
            service_min=points["service"].to_numpy(),
            opens_min=points["open"].to_numpy(),
            closes_min=points["close"].to_numpy(),
        )
    )
    assert found.proven
    assert found.routes[0].value == row.best
