"""Glass mat by weight: what it weighs, how thick it lies, the resin it takes, how stiff and strong it is.

Chopped strand mat in polyester, laid by hand. `psi` is the glass fraction by mass throughout. Checks and
masses start from here; the resin's and the mat's own data sheets decide.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from ..base.marks import Assumption, Mark
from ..inputs.mats import G_M2_PER_OZ_FT2, SOLD_MATS_G_M2, SOLD_SOURCE, mat_weights

# E-glass and cured polyester. Mark.MEMORY: the two densities inside the thickness formula of ISO 12215-5.
GLASS_DENSITY_KG_DM3 = 2.56
RESIN_DENSITY_KG_DM3 = 1.20
# Mark.MEMORY: cured unfilled polyester in bending, makers' lists say 2.8 to 3.8 GPa.
RESIN_MODULUS_MPA = 3000.0
# Mark.MEMORY: pigmented polyester gelcoat as delivered, makers' lists say 1.2 to 1.4.
GELCOAT_DENSITY_KG_DM3 = 1.25

GUIDES_GLASS_FRACTION = 0.30  # common practice: suppliers' hand lay-up guides, 6 kg of glass take 14 kg of resin


@dataclass(frozen=True)
class Laminate:
    """One laminate per square metre. glass_g_m2 is the sum of the mats as sold, not what was asked for."""

    glass_g_m2: float
    glass_fraction: float
    weights_g_m2: tuple[float, ...]  # its mats, first layer first
    thickness_mm: float
    mass_kg_m2: float
    modulus_mpa: float
    flexural_strength_mpa: float

    @property
    def layers(self) -> tuple[str, ...]:
        """Its mats as the workshop writes them."""
        return mat_words(self.weights_g_m2)

    @property
    def glass_oz_ft2(self) -> float:
        """Its glass in ounces a square foot."""
        return oz_from_mat_g_m2(self.glass_g_m2)


def mat_g_m2_from_oz(oz_ft2: float) -> float:
    """Ounces a square foot to grams a square metre, by the definition of the units (1 oz/ft² = 305.15
    g/m²).
    """
    return oz_ft2 * G_M2_PER_OZ_FT2


def oz_from_mat_g_m2(g_m2: float) -> float:
    """Grams a square metre to ounces a square foot."""
    return g_m2 / G_M2_PER_OZ_FT2


def laminate_thickness_mm(glass_g_m2: float, psi: float) -> float:
    """Cured thickness of `glass_g_m2` of glass at glass fraction `psi`.

    ISO 12215-5 (from memory, verify): t = w/3.072 (2.56/psi - 1.36), w in kg/m². It is the rule of mixtures
    with glass 2.56 and resin 1.2 kg/dm³, no voids. Raises ValueError unless 0 < psi < 1.
    """
    _check_fraction(psi)
    return glass_g_m2 / 1000.0 / 3.072 * (2.56 / psi - 1.36)


def resin_kg(glass_kg: float, psi: float) -> float:
    """Resin that `glass_kg` of glass takes at glass fraction `psi`: 2.33 times the glass at 0.30."""
    _check_fraction(psi)
    return glass_kg * (1.0 / psi - 1.0)


def laminate_density_kg_dm3(psi: float) -> float:
    """Density by the rule of mixtures, no voids."""
    _check_fraction(psi)
    return 1.0 / (psi / GLASS_DENSITY_KG_DM3 + (1.0 - psi) / RESIN_DENSITY_KG_DM3)


def modulus_mpa(psi: float) -> float:
    """In-plane modulus of chopped strand mat: 38000 psi - 5000 (ISO 12215-5, from memory, verify).

    Below about psi 0.21 the line falls under the resin's own stiffness, and the resin's is given.
    """
    _check_fraction(psi)
    return max(38_000.0 * psi - 5_000.0, RESIN_MODULUS_MPA)


def flexural_strength_mpa(psi: float) -> float:
    """Breaking stress in bending of chopped strand mat: 502 psi² + 106.8 (ISO 12215-5, from memory,
    verify).
    """
    _check_fraction(psi)
    return 502.0 * psi**2 + 106.8


def tensile_strength_mpa(psi: float) -> float:
    """Breaking stress in tension of chopped strand mat: 800 psi² - 80 psi + 37 (ISO 12215-5, from memory, verify)."""
    _check_fraction(psi)
    return 800.0 * psi**2 - 80.0 * psi + 37.0


def mat_schedule(g_m2: float) -> tuple[str, ...]:
    """`mat_weights` as the workshop writes them, first layer first: ("300 g/m²", "450 g/m²", "450 g/m²")."""
    return mat_words(mat_weights(g_m2))


def mat_words(weights_g_m2: Sequence[float]) -> tuple[str, ...]:
    """Mats as the workshop writes them: "300 g/m²", ..."""
    return tuple(f"{w:g} g/m²" for w in weights_g_m2)


def lay_up(g_m2: float, psi: float) -> Laminate:
    """The laminate that reaches `g_m2` of glass in mats as sold, at glass fraction `psi`."""
    return laminate_of(mat_weights(g_m2), psi)


def laminate_of(weights_g_m2: Sequence[float], psi: float) -> Laminate:
    """The laminate of given mats, first layer first, at glass fraction `psi`."""
    glass = float(sum(weights_g_m2))
    return Laminate(
        glass_g_m2=glass,
        glass_fraction=psi,
        weights_g_m2=tuple(float(w) for w in weights_g_m2),
        thickness_mm=laminate_thickness_mm(glass, psi),
        mass_kg_m2=glass / 1000.0 / psi,
        modulus_mpa=modulus_mpa(psi),
        flexural_strength_mpa=flexural_strength_mpa(psi),
    )


def gelcoat_kg(area_mm2: float, wet_mm: float, density_kg_dm3: float = GELCOAT_DENSITY_KG_DM3) -> float:
    """Gelcoat as delivered that lies `wet_mm` thick over `area_mm2`, without waste (1 mm over 1 m² is a
    litre).
    """
    return area_mm2 * 1e-6 * wet_mm * density_kg_dm3


def laminate_assumptions(psi: float) -> tuple[Assumption, ...]:
    """The figures that laminate masses and stiffness rest on, with their marks."""
    guides = "suppliers' hand lay-up guides: 6 kg of glass to 14 kg of resin"
    as_guides = abs(psi - GUIDES_GLASS_FRACTION) < 0.005
    fraction = (Mark.COMMON_PRACTICE, guides if as_guides else f"the brief; {guides}")
    return (
        Assumption("glass fraction by mass", f"{psi:.2f}", *fraction),
        Assumption("mat weights sold, g/m²", ", ".join(map(str, SOLD_MATS_G_M2)), Mark.COMMON_PRACTICE, SOLD_SOURCE),
        Assumption(
            "laminate thickness",
            f"by the rule of mixtures, glass {GLASS_DENSITY_KG_DM3} and cured resin {RESIN_DENSITY_KG_DM3:.2f} kg/dm³",
            Mark.MEMORY,
            "the densities of ISO 12215-5",
        ),
        Assumption("laminate modulus", f"{modulus_mpa(psi):.0f} MPa", Mark.MEMORY, "ISO 12215-5"),
        Assumption("flexural strength", f"{flexural_strength_mpa(psi):.0f} MPa", Mark.MEMORY, "ISO 12215-5"),
        Assumption("gelcoat density", f"{GELCOAT_DENSITY_KG_DM3} kg/dm³", Mark.MEMORY, "makers' lists"),
        Assumption("light first mat, none over 600 g/m² by hand", "rule", Mark.COMMON_PRACTICE),
    )


def _check_fraction(psi: float) -> None:
    if not 0.0 < psi < 1.0:
        raise ValueError("a glass fraction lies between 0 and 1")
