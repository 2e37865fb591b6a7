"""The faults that plant.py plants: their places are there, and so are the tests that see them."""

from pathlib import Path

from tests.bench.image_build import FIRMWARE
from tests.bench.plants import PLANTS

HERE = Path(__file__).parent


def test_every_plant_has_its_place_once() -> None:
    port = FIRMWARE / "atmega2560"
    counts = {p.what: (port / p.file).read_text(encoding="utf-8").count(p.old) for p in PLANTS}
    assert {what: count for what, count in counts.items() if count != 1} == {}
    assert len(counts) == len(PLANTS)
    assert all(plant.old != plant.new for plant in PLANTS)


def test_the_test_that_sees_each_is_there() -> None:
    for plant in PLANTS:
        file, test = plant.seen_by.split("::")
        source = (HERE / f"test_image_{file}").read_text(encoding="utf-8")
        assert f"def test_{test}(" in source, plant
