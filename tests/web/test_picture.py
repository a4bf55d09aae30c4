from __future__ import annotations

import re
from dataclasses import replace
from datetime import timedelta
from xml.etree import ElementTree as ET

import pytest

from gylewatch.values import Addition
from storage.records import ProbeCourse
from tests.web import brewery
from web.drawing import Axis, ticks
from web.graph import Graph, graph
from web.picture import NARROW, WIDE, Sheet, draw, time_ticks

SVG = "{http://www.w3.org/2000/svg}"


def course(hours: float) -> Graph:
    return graph(brewery.harbour_pale(), brewery.estimates(hours), ())


def drawing(sheet: Sheet = WIDE, *, hours: float = 140.0, fahrenheit: bool = False) -> ET.Element:
    svg = draw(course(hours), sheet, title="Ale & co", fahrenheit=fahrenheit)
    return ET.fromstring(svg.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1))


@pytest.mark.parametrize(
    ("low", "high", "about", "expected"),
    [
        (1.009, 1.054, 5, (1.01, 1.02, 1.03, 1.04, 1.05)),
        (17.9, 22.4, 4, (18.0, 20.0, 22.0)),
        (-1.0, 3.0, 4, (-1.0, 0.0, 1.0, 2.0, 3.0)),
    ],
)
def test_ticks_are_round_numbers(low: float, high: float, about: int, expected: tuple[float, ...]) -> None:
    assert ticks(low, high, about) == pytest.approx(expected)


def test_time_ticks_are_midnights_for_a_week() -> None:
    found = time_ticks(brewery.PITCHED, brewery.PITCHED + timedelta(days=6), 8)

    assert [f"{time:%d %H:%M}" for time in found] == [f"{day:02} 00:00" for day in range(3, 9)]


def test_an_axis_maps_its_ends_to_its_ends() -> None:
    axis = Axis(10.0, 20.0, 300.0, 100.0)

    assert (axis.at(10.0), axis.at(15.0), axis.at(20.0)) == (300.0, 200.0, 100.0)


@pytest.mark.parametrize("sheet", [NARROW, WIDE])
@pytest.mark.parametrize("hours", [0.0, 0.25, 7.0, 140.0, 2000.0])
def test_everything_drawn_lies_on_the_sheet(sheet: Sheet, hours: float) -> None:
    picture = drawing(sheet, hours=hours)

    for line in picture.iter(f"{SVG}polyline"):
        for pair in line.attrib["points"].split():
            x, y = map(float, pair.split(","))
            assert 0 <= x <= sheet.width
            assert 0 <= y <= sheet.height


def test_the_band_has_both_edges_of_the_interval() -> None:
    picture = drawing()

    band = next(picture.iter(f"{SVG}polygon")).attrib["points"].split()
    line = next(picture.iter(f"{SVG}polyline")).attrib["points"].split()
    assert len(band) == 2 * len(line)
    middle = [float(pair.split(",")[1]) for pair in line]
    upper = [float(pair.split(",")[1]) for pair in band[: len(line)]]
    assert all(edge < value for edge, value in zip(upper, middle, strict=True))


def test_no_line_is_drawn_across_hours_without_readings() -> None:
    rows = [
        row for row in brewery.estimates(118.0) if not 40 < (row.time - brewery.PITCHED).total_seconds() / 3600 < 52
    ]
    before, after = (brewery.PITCHED + timedelta(hours=hours) for hours in (40, 52))

    svg = draw(graph(brewery.harbour_pale(), rows, (), [(before, after)]), WIDE, title="x", fahrenheit=False)

    for shape in ("band", "gravity", "warmth"):
        assert len(re.findall(f'<poly[a-z]+ class="{shape}"', svg)) == 2
    left, right = (
        [float(pair.split(",")[0]) for pair in points.split()]
        for points in re.findall(r'class="gravity" points="([^"]+)"', svg)
    )
    # 12 of 118 hours stay empty on a time axis that is 924 units long.
    assert min(right) - max(left) == pytest.approx(924 * 12 / 118, abs=0.2)


def test_both_axes_name_their_units() -> None:
    texts = [text.text for text in drawing(fahrenheit=True).iter(f"{SVG}text")]

    assert "Gravity, SG 20/20 °C" in texts
    assert "Temperature, °F" in texts


@pytest.mark.parametrize("sheet", [NARROW, WIDE])
def test_an_addition_is_an_upright_line_at_its_time_and_one_to_come_is_none(sheet: Sheet) -> None:
    added = tuple(Addition(time=brewery.PITCHED + timedelta(hours=hours)) for hours in (59, 200))
    batch = replace(brewery.harbour_pale(), additions=added)

    svg = draw(graph(batch, brewery.estimates(118.0), ()), sheet, title="x", fahrenheit=False)

    lines = [float(x) for x in re.findall(r'<line class="addition" x1="([^"]+)"', svg)]
    assert lines == pytest.approx([(sheet.left + sheet.width - sheet.right) / 2], abs=0.1)  # 59 of 118 hours


def test_a_planned_change_gives_a_second_wanted_range() -> None:
    assert len(list(drawing(hours=140.0).iter(f"{SVG}rect"))) == 2


@pytest.mark.parametrize("sheet", [NARROW, WIDE])
def test_the_probe_has_a_line_of_its_own_on_the_sheet_broken_where_it_was_silent(sheet: Sheet) -> None:
    readings = tuple(brewery.probed(hours, 14.0) for hours in (1.0, 2.0, 20.0, 150.0))
    probe = ProbeCourse(readings=readings, gaps=((readings[1].time, readings[2].time),))
    course = graph(brewery.harbour_pale(), brewery.estimates(140.0), (), probe=probe)

    svg = draw(course, sheet, title="x", fahrenheit=False)

    lines = re.findall(r'<polyline class="probe" points="([^"]+)"', svg)
    assert [len(line.split()) for line in lines] == [2, 2]
    ends = [tuple(map(float, pair.split(","))) for line in lines for pair in line.split()]
    assert all(0 <= x <= sheet.width and 0 <= y <= sheet.height for x, y in ends)
    # The probe goes on when the float is silent, so it and not the float ends at the right edge.
    assert ends[-1][0] == pytest.approx(sheet.width - sheet.right, abs=0.1)


def test_without_a_probe_there_is_no_line_of_one() -> None:
    assert "probe" not in draw(course(140.0), WIDE, title="x", fahrenheit=False)
