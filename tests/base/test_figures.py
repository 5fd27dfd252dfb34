"""How figures read, against the definitions of the units."""

from mouldloft.base.figures import kg_lb, kg_lb_range, mm_feet


def test_either_unit_stands_first_where_both_are_given():
    """An inch is 25.4 mm and a pound 0.45359237 kg by definition (international yard and pound, 1959)."""
    assert mm_feet(1400.0) == "1400 mm (4 ft 7 1/8 in)"
    assert mm_feet(1400.0, "imperial") == "4 ft 7 1/8 in (1400 mm)"
    assert mm_feet(1400.0, "imperial", "tall") == "4 ft 7 1/8 in tall (1400 mm)"
    assert kg_lb(10.0) == "10.0 kg (22.0 lb)"
    assert kg_lb(10.0, "imperial") == "22.0 lb (10.0 kg)"
    assert kg_lb_range(17.94, 19.4) == "17.9 to 19.4 kg"
    assert kg_lb_range(10.0, 20.0, "imperial") == "22.0 to 44.1 lb"
