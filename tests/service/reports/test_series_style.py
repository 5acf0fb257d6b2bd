"""How several things are told apart in one picture."""

from service.reports.series_style import series_style


def test_ten_coolers_are_told_apart():
    """No two of ten have the same colour with the same line or marker."""
    styles = [series_style(place) for place in range(10)]

    assert len({(each.colour, each.line) for each in styles}) == 10
    assert len({(each.colour, each.marker) for each in styles}) == 10
