"""How figures read, against the definitions of the units."""

from mouldloft.base.figures import kg_by, kg_lb, kg_lb_range, metres_by, metres_or_feet, mm_by, mm_feet, sides_by


def test_either_unit_stands_first_where_both_are_given():
    """An inch is 25.4 mm and a pound 0.45359237 kg by definition (international yard and pound, 1959)."""
    assert mm_feet(1400.0) == "1400 mm (4 ft 7 1/8 in)"
    assert mm_feet(1400.0, "imperial") == "4 ft 7 1/8 in (1400 mm)"
    assert mm_feet(1400.0, "imperial", "tall") == "4 ft 7 1/8 in tall (1400 mm)"
    assert kg_lb(10.0) == "10.0 kg (22.0 lb)"
    assert kg_lb(10.0, "imperial") == "22.0 lb (10.0 kg)"
    assert kg_lb_range(17.94, 19.4) == "17.9 to 19.4 kg"
    assert kg_lb_range(10.0, 20.0, "imperial") == "22.0 to 44.1 lb"


def test_metric_stands_alone_until_the_brief_puts_feet_and_pounds_first():
    """By the same definitions: 3 m are 9.8425 ft, 1 in is 25.4 mm, 10 kg are 22.046 lb."""
    assert (kg_by(10.0, "metric"), kg_by(10.0, "imperial")) == ("10.0 kg", "22.0 lb (10.0 kg)")
    assert (mm_by(1400.0, "metric"), mm_by(1400.0, "imperial")) == ("1400 mm", "4 ft 7 1/8 in (1400 mm)")
    assert (metres_by(3000.0, "metric"), metres_by(3000.0, "imperial")) == ("3.00 m", "9.84 ft (3.00 m)")
    assert (metres_or_feet(3000.0, "metric"), metres_or_feet(3000.0, "imperial")) == ("3.00 m", "9.84 ft")
    box = (25.4, 25.4 * 12.5, 25.4 * 40.125)
    assert sides_by(box, "metric") == "25 × 318 × 1019 mm"
    assert sides_by(box, "imperial") == "1 × 12 1/2 × 40 1/8 in"
