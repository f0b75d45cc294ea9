"""The simulated vehicle and tape are what the table of marks says they are, and know nothing of the service."""

from __future__ import annotations

import ast
from pathlib import Path

import numpy as np
import pytest

from reports.demo import simulated_tape, simulated_vehicle
from reports.demo.simulated_tape import Tape
from reports.demo.simulated_vehicle import CORNER_NAMES, draw_truth
from tests.simulator import hand_method, scenarios
from tests.simulator.hand_method import work_by_hand
from tests.simulator.scenarios import ARRIVES_TRUE, ESTATE, FAULTY, WITH_AN_ERROR, draw_case

HEALTHY = ("healthy",) * 4


@pytest.mark.parametrize("module", [simulated_vehicle, simulated_tape, hand_method, scenarios])
def test_the_bay_knows_nothing_of_the_service(module: object) -> None:
    tree = ast.parse(Path(str(getattr(module, "__file__", ""))).read_text(encoding="utf-8"))
    imported = {node.module or "" for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
    imported |= {name.name for node in ast.walk(tree) if isinstance(node, ast.Import) for name in node.names}
    simulated = {"reports.demo.simulated_vehicle", "reports.demo.simulated_tape"}
    service = ("calibration", "fleet", "reports", "deploy")
    assert not [name for name in imported - simulated if name.startswith(service)]


def test_the_service_knows_nothing_of_the_bay() -> None:
    root = Path(scenarios.__file__).resolve().parents[2]
    outside = [
        path
        for app in ("fleet", "calibration", "reports", "deploy")
        for path in (root / app).rglob("*.py")
        if "demo" not in path.parts
    ]
    knowing = {path.name for path in outside if "simulated_" in path.read_text(encoding="utf-8")}
    assert len(outside) > 100
    assert not knowing


def test_responses_have_the_spread_and_correlation_that_the_design_asks_for() -> None:
    rng = np.random.default_rng(1)
    drawn = np.array([draw_truth(ESTATE, np.zeros(4), HEALTHY, rng).response for _ in range(6000)])
    assert drawn.mean(axis=0) == pytest.approx([0.9, 0.9, 1.05, 1.05], abs=0.01)
    assert drawn.std(axis=0) == pytest.approx([0.15, 0.15, 0.18, 0.18], rel=0.04)
    correlation = np.corrcoef(drawn.T)
    assert correlation[0, 1] == pytest.approx(0.64, abs=0.03)
    assert correlation[0, 2] == pytest.approx(0.0, abs=0.05)


@pytest.mark.parametrize(("fault", "gain"), [("healthy", 1.0), ("dead", 0.0), ("reversed", -1.0), ("weak", 0.3)])
def test_a_write_moves_a_corner_as_its_fault_allows(fault: str, gain: float) -> None:
    truth = draw_truth(ESTATE, np.zeros(4), (fault, "healthy", "healthy", "healthy"), np.random.default_rng(2))
    car = simulated_vehicle.SimulatedVehicle(truth, CORNER_NAMES, np.random.default_rng(3))
    before = car.mean_settled_mm()
    now = car.read_setpoints()
    assert car.write({"FL": now["FL"] + 10}) == now | {"FL": now["FL"] + 10}
    moved = car.mean_settled_mm() - before
    lost = truth.warp_lost * gain * truth.response[0] * 10 / 4
    assert moved[0] == pytest.approx(gain * truth.response[0] * 10 - lost, abs=0.15)
    assert moved[1] == pytest.approx(lost, abs=0.1)


def test_nothing_moves_before_it_settles_and_settling_scatters() -> None:
    case = draw_case(WITH_AN_ERROR[0], ESTATE, np.random.default_rng(4))
    car = case.vehicle
    standing = car.standing_mm("FL")
    car.write({"FL": car.read_setpoints()["FL"] + 20})
    assert car.standing_mm("FL") == standing
    heights = []
    for _ in range(400):
        car.settle()
        heights.append(car.standing_mm("FL"))
    assert np.mean(heights) == pytest.approx(car.mean_settled_mm()[0], abs=0.3)
    assert 0.4 < np.std(heights) < 1.3


def test_a_parked_vehicle_sinks_by_its_leak_and_by_the_cooling_of_its_air() -> None:
    """Charles by hand: 300 mm at 20 °C (293.15 K) are 289.766 mm at 10 °C (283.15 K)."""
    car = draw_case(ARRIVES_TRUE, ESTATE, np.random.default_rng(9)).vehicle
    before = [car.standing_mm(corner) for corner in CORNER_NAMES]
    car.park(8.0, {"RL": 1.5}, (300.0, 300.0, 300.0, 150.0), 20.0, 10.0)
    sunk = np.array(before) - [car.standing_mm(corner) for corner in CORNER_NAMES]
    assert sunk == pytest.approx([10.234, 10.234, 22.234, 5.117], abs=1e-3)
    car.settle()
    assert car.standing_mm("RL") == pytest.approx(car.mean_settled_mm()[2], abs=5.0)


def test_a_tape_reads_whole_millimetres_with_scatter_and_slips() -> None:
    car = draw_case(ARRIVES_TRUE, ESTATE, np.random.default_rng(5)).vehicle
    reader = Tape(np.random.default_rng(6))
    off = np.array([reader.read(car, "RR") for _ in range(5000)]) - car.standing_mm("RR")
    assert reader.readings_taken == 5000
    careful = off[np.abs(off) < 5.0]
    assert 1 - len(careful) / len(off) == pytest.approx(0.01, abs=0.005)
    assert careful.std() == pytest.approx(1.04, abs=0.05)


def test_a_faulty_corner_is_off_by_12_mm_or_more_and_the_others_by_anything() -> None:
    smallest = []
    for number in range(50):
        case = draw_case(FAULTY[0], ESTATE, np.random.default_rng([7, number]))
        assert case.faults.count("dead") == 1
        assert abs(case.error_mm[case.faults.index("dead")]) >= 12.0
        others = [abs(error) for error, fault in zip(case.error_mm, case.faults, strict=True) if fault == "healthy"]
        smallest.append(min(others))
    assert min(smallest) < 1.0


def test_the_hand_method_takes_about_four_writes_and_disturbs_true_vehicles() -> None:
    """About 4.2 writes on vehicles with an error, about one in five true vehicles touched (design, section 6)."""
    writes = [hand_writes(scenario, number) for scenario in WITH_AN_ERROR for number in range(60)]
    assert np.mean(writes) == pytest.approx(4.3, abs=0.5)
    touched = np.mean([hand_writes(ARRIVES_TRUE, number) > 0 for number in range(150)])
    assert 0.1 < touched < 0.35


def hand_writes(scenario: scenarios.Scenario, number: int) -> int:
    rng = np.random.default_rng([8, number])
    case = draw_case(scenario, ESTATE, rng)
    return work_by_hand(case.vehicle, Tape(rng), ESTATE).writes
