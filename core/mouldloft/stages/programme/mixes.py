"""Pots: what is mixed at once, in grams of base, catalyst and thickener, and by when it is spread."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from ...base.errors import PlanImpossible
from ...base.figures import counted, listed
from ...inputs.brief import Brief
from ...inputs.catalogue import Catalogue, temperature_factor
from ...inputs.materials import RubberMaterial
from ...trade.answers import THIN_FILL_MM
from ...trade.handling import Grips, LiftKind
from ...trade.lifting import MOST_LIFTERS
from ..cast import Cast
from ..cradle import Cradle
from ..handling import plan_grips, plan_lifts
from ..jacket import ONE_PLACE_MM, Jacket, JacketPiece, LooseShell
from ..keys import Keys
from ..locks import Locks
from ..rubber import FILL_LIFT_MM, Rubber, coat_volumes_mm3, flange_areas_mm2, handled_edges_mm2, wall_areas_mm2
from ..seam import Seam
from .record import Batch

DEEP_SHARE = 0.95  # common practice: of the locked skin; what lies deeper is packed with cured scrap
PERSON_MM = 700.0  # common practice: of a piece's longest side, for each person who works at it
TWO_FROM_MM = 1000.0  # common practice: a jacket longer than this is laid up by two
TACK_COAT_MM = 0.3  # common practice: a thin wet film for the next coat to take to


def split_into_batches(
    coat: str,
    piece: str,
    total_kg: float,
    kg_h: float,
    life_min: float,
    catalyst_share: float,
    catalogue: Catalogue,
    thickener_share: float = 0.0,
    base: str = "",
) -> Batch:
    """Pots of at most what one pair of hands spreads before the mix drags, and at most the batch limit.

    total_kg is of the mix, kg_h what one pair of hands spreads, life_min the pot life at the workshop's temperature,
    catalyst_share and thickener_share are of the mix. Raises `PlanImpossible` where mixing alone takes the pot life.
    """
    rates = catalogue.rates
    brush_min = life_min * rates.usable_pot_life - rates.mixing_min
    if brush_min <= 0:
        raise PlanImpossible(
            f"The mix for the {coat} sets in {life_min:.0f} min at the workshop's temperature, and mixing alone takes "
            f"{rates.mixing_min:.0f} min; cool the workshop (run.workshop_temperature_c) or choose a slower product."
        )
    most_kg = min(kg_h * brush_min / 60.0, rates.batch_limit_kg)
    count = math.ceil(total_kg / most_kg - 1e-9) if total_kg > 0 else 0
    each = total_kg / count if count else 0.0
    grams = each * 1000.0
    return Batch(
        coat,
        piece,
        count,
        each,
        life_min,
        each / kg_h * 60.0,
        grams * catalyst_share,
        base_g=grams * (1 - catalyst_share - thickener_share),
        thickener_g=grams * thickener_share,
        base=base,
        spread_by_min=life_min * rates.usable_pot_life,
    )


@dataclass(frozen=True)
class Workshop:
    """The records and the brief, and the amounts, hours and pots that follow from them."""

    seam: Seam
    locks: Locks
    rubber: Rubber
    keys: Keys
    jacket: Jacket
    cradle: Cradle
    cast: Cast
    brief: Brief
    catalogue: Catalogue

    @property
    def rubber_material(self) -> RubberMaterial:
        return self.catalogue.rubber_for(self.brief.materials)

    @property
    def hands(self) -> int:
        return self.brief.run.hands

    @property
    def piece_names(self) -> tuple[str, ...]:
        return tuple(envelope.name for envelope in self.rubber.envelopes)

    @property
    def seam_m(self) -> float:
        """Length that wall and flange are built along: the seam's; of more than two pieces half of all flanges' areas
        over their width."""
        if not self.several:
            return self.seam.length_mm * 1e-3
        return sum(flange_areas_mm2(self.rubber)) / 2 / self.rubber.flange_width_mm * 1e-3

    def longest_mm(self, piece: int) -> float:
        """The longest side of a glove piece, across its pull."""
        envelope = self.rubber.envelopes[piece]
        rows, columns = np.nonzero(np.isfinite(envelope.outer_mm))
        return float(max(np.ptp(rows), np.ptp(columns)) + 1) * envelope.pixel_mm if len(rows) else 0.0

    def crew(self, piece: int) -> int:
        """People at one rubber or jacket: as many as stand round it, two at the least where it is over a metre."""
        longest = self.longest_mm(piece)
        return max(min(self.hands, max(2, math.ceil(longest / PERSON_MM))), 2 if longest > TWO_FROM_MM else 1)

    @property
    def bolt_count(self) -> int:
        """Bolts of the whole jacket, each once."""
        return bolt_count(self.jacket)

    def boards_for(self, shell: str) -> int:
        """Boards of a jacket piece's cradle, by its own list."""
        at = next((k for k, piece in enumerate(self.jacket.pieces) if piece.name == shell), 0)
        own = self.cradle.pieces[at : at + 1]
        return sum(count for piece in own for _, count, *_ in piece.cut_list)

    def cradle_words(self, shell: str) -> str:
        """What its cradle is cut of: '3 boards and 2 rails'."""
        at = next((k for k, piece in enumerate(self.jacket.pieces) if piece.name == shell), 0)
        cuts = [(name, count) for piece in self.cradle.pieces[at : at + 1] for name, count, *_ in piece.cut_list]
        rails = sum(count for name, count in cuts if "rail" in name)
        boards = sum(count for _, count in cuts) - rails
        return listed([counted(n, what) for n, what in ((boards, "board"), (rails, "rail")) if n])

    def grips_on(self, shell: str) -> int:
        """Hand grips of a jacket piece."""
        return next((len(g.places_mm) for g in self.grips if g.piece == shell), 0)

    @property
    def grips(self) -> tuple[Grips, ...]:
        """Hand grips of the jacket's pieces."""
        return plan_grips(self.jacket, self.cast)

    def lifters(self, *kinds: LiftKind) -> int:
        """People at work that includes lifts of these kinds: two, or more of the brief's own where one asks them."""
        lifts = plan_lifts(self.jacket, self.cast, self.brief.jacket)
        asked = [lift.people or MOST_LIFTERS for lift in lifts if lift.kind in kinds]
        return max(2, min(max(asked, default=2), self.brief.jacket.lifters))

    @property
    def peel_h(self) -> float:
        """Person-hours more to work the gloves off skin that their pull does not free, each cast."""
        return self.brief.rates.peel_h_m2 * self.locks.piece_locked_area_mm2 * 1e-6

    @property
    def overhang_h(self) -> float:
        """Person-hours more to lay up under skin that its half's pull does not free, each cast."""
        return self.brief.rates.overhang_h_m2 * self.locks.piece_locked_area_mm2 * 1e-6

    @property
    def tight_share(self) -> float:
        """Share of the skin in places that heavy mat does not go into."""
        return self.cast.joining.tight_share if self.cast.joining else 0.0

    @property
    def cored_l(self) -> float:
        """Litres of narrow limbs that are cored before the mould is shut, each cast."""
        return self.cast.joining.cored_l if self.cast.joining else 0.0

    @property
    def filled_l(self) -> float:
        """Litres of limbs too slim for foam, filled with resin, each cast."""
        return self.cast.joining.filled_l if self.cast.joining else 0.0

    @property
    def hatches(self) -> int:
        """Hatches glassed back, each cast."""
        return len(self.cast.joining.hatches) if self.cast.joining else 0

    @property
    def hatch_words(self) -> str:
        """'the hatch', 'the 2 hatches'."""
        return "the hatch" if self.hatches == 1 else f"the {self.hatches} hatches"

    @property
    def cut_hatches_words(self) -> str:
        """That hatches are cut now, and how many; "" where there is none."""
        return f"; cut {self.hatch_words}" if self.hatches else ""

    @property
    def joint_by_reach_mm(self) -> tuple[float, float, float]:
        """Joint taped by hand, also through a hatch; by a roller on a pole; bedded over cored and filled limbs."""
        if self.cast.joining is not None:
            return self.cast.joining.near_mm, self.cast.joining.pole_mm, self.cast.joining.bedded_mm
        return 1000.0 * self.cast.joint_tape_m, 0.0, 0.0

    @property
    def several(self) -> bool:
        """More than two pieces."""
        return len(self.rubber.envelopes) > 2

    def wall_m(self, piece: int) -> float:
        """Length of wall to build before a piece is brushed."""
        if not self.several:
            return self.seam_m if piece == 0 else 0.0
        return wall_areas_mm2(self.rubber)[piece] / self.rubber.flange_width_mm * 1e-3

    def flange_m2(self, piece: int) -> float:
        """Flange to release before a piece is brushed."""
        if not self.several:
            return self.seam_m * self.rubber.flange_width_mm * 1e-3
        return flange_areas_mm2(self.rubber)[piece] * 1e-6

    def gauze_m2(self, piece: int) -> float:
        """Gauze laid into a piece's handled edges, where the brief asks for it."""
        return handled_edges_mm2(self.rubber)[piece] * 1e-6 if self.brief.joint.reinforced_edges else 0.0

    def skin_m2(self, piece: int) -> float:
        """Skin under a piece: shared out as its first coat is."""
        first = [coat_volumes_mm3(self.rubber, k)[0] for k in range(len(self.rubber.envelopes))]
        return self.rubber.skin_m2 * first[piece] / max(sum(first), 1e-9)

    def warmth(self, stated_at_c: float) -> float:
        run, rates = self.brief.run, self.catalogue.rates
        return temperature_factor(run.workshop_temperature_c, stated_at_c, rates.warm_doubling_c)

    @property
    def rubber_warmth(self) -> float:
        """What the rubber's times are multiplied by."""
        return self.warmth(self.rubber_material.pot_life_temperature_c)

    @property
    def resin_warmth(self) -> float:
        """What the laminating resin's times are multiplied by."""
        return self.warmth(self.catalogue.resin_for(self.brief.materials).gel_temperature_c)

    def _rubber_batch(self, coat: str, piece: int, kg: float, kg_h: float, thickened: bool) -> Batch:
        rubber_material, seen = self.rubber_material, self.brief.observed.rubber
        kg, kg_h = kg * seen, kg_h * seen  # as logged runs mixed it, over the same area in the same hours
        dose = 0.0
        if thickened and rubber_material.viscosity != "thixotropic":
            dose = self.catalogue.thickener_for(self.brief.materials).dose_fraction
        whole = 1 + rubber_material.catalyst_fraction + dose  # of what goes with 1 kg of base
        life = rubber_material.pot_life_min * self.rubber_warmth
        # the coat's volume is rubber; what its thickener adds is in the pot and not in the coat
        share, thick = rubber_material.catalyst_fraction / whole, dose / whole
        mixed = kg * whole / (1 + rubber_material.catalyst_fraction)
        name = self.rubber.envelopes[piece].name
        return split_into_batches(coat, name, mixed, kg_h, life, share, self.catalogue, thick, rubber_material.name)

    def coat_batch(self, piece: int, at: int) -> Batch:
        rubber_material, coat = self.rubber_material, self.rubber.coats[at]
        density = rubber_material.density_kg_m3 * 1e-9
        kg = coat_volumes_mm3(self.rubber, piece)[at] * density
        spread_mm = coat.thickness_mm or rubber_material.build_coat_mm
        kg_h = self.catalogue.rates.brushing_m2_h * 1e6 * spread_mm * density
        return self._rubber_batch(coat.name, piece, kg, kg_h, coat.thickened)

    def fill_depth_mm(self, piece: int) -> float:
        """How deep the undercuts of a piece are that are filled, but for the deepest twentieth of their skin. Where
        loose pieces take the place of some, no deeper than what they leave."""
        depth = self.locks.depth_mm
        own = (self.seam.labels == piece) & (depth > 0) & (self.locks.fill_mm > 0)
        across = float(np.quantile(depth[own], DEEP_SHARE)) if own.any() else 0.0
        if not any(one.piece == piece for one in self.rubber.loose) or not self.rubber.fills:
            return across
        return min(across, max(self.rubber.fills[piece].left_deep_mm, THIN_FILL_MM))

    def fill_lifts(self, piece: int) -> int:
        """Goes in which a piece's undercuts are filled, so that each can set."""
        return max(1, math.ceil(self.fill_depth_mm(piece) / FILL_LIFT_MM - 1e-9))

    def tack_batch(self, piece: int) -> Batch:
        density = self.rubber_material.density_kg_m3 * 1e-9
        kg = self.skin_m2(piece) * 1e6 * TACK_COAT_MM * density
        kg_h = self.catalogue.rates.brushing_m2_h * 1e6 * TACK_COAT_MM * density
        return self._rubber_batch("tack coat", piece, kg, kg_h, False)

    def resin_batch(self, what: str, piece: str, kg: float, glass_fraction: float, seen: float = 1.0) -> Batch:
        resin = self.catalogue.resin_for(self.brief.materials)
        kg_h = self.catalogue.rates.laminating_kg_h * (1 / glass_fraction - 1)
        kg, kg_h = kg * seen, kg_h * seen
        life = resin.gel_time_min * self.resin_warmth
        share = resin.catalyst_fraction / (1 + resin.catalyst_fraction)
        mixed = kg * (1 + resin.catalyst_fraction)
        return split_into_batches(what, piece, mixed, kg_h, life, share, self.catalogue, base=resin.name)

    def gelcoat_batch(self) -> Batch:
        gelcoat = self.catalogue.gelcoat_for(self.brief.materials)
        kg = self.cast.gelcoat_kg
        kg_m2 = kg / (self.cast.area_mm2 * 1e-6) if self.cast.area_mm2 > 0 else 1.0
        seen = self.brief.observed.gelcoat
        kg, kg_h = kg * seen, self.catalogue.rates.brushing_m2_h * kg_m2 * seen
        life = gelcoat.gel_time_min * self.warmth(gelcoat.gel_temperature_c)
        share = gelcoat.catalyst_fraction / (1 + gelcoat.catalyst_fraction)
        mixed = kg * (1 + gelcoat.catalyst_fraction)
        return split_into_batches("gelcoat", "each cast", mixed, kg_h, life, share, self.catalogue, base=gelcoat.name)

    def jacket_batch(self, piece: JacketPiece) -> Batch:
        resin = sum(zone.resin_kg for zone in piece.zones)
        return self.resin_batch("jacket laminate", piece.name, resin, self.brief.jacket.glass_fraction)

    def loose_batch(self, shell: LooseShell) -> Batch:
        fraction = self.brief.jacket.glass_fraction
        return self.resin_batch("loose piece laminate", shell.name, shell.zone.resin_kg, fraction)

    def cast_batch(self) -> Batch:
        kg = self.cast.resin_kg + self.cast.joint_resin_kg
        seen = self.brief.observed.resin
        return self.resin_batch("cast laminate", "each cast", kg, self.brief.cast.glass_fraction, seen)

    def batches(self) -> Iterable[Batch]:
        """Every mix of the mould, then those of one cast."""
        for piece in range(len(self.rubber.envelopes)):
            for at in range(len(self.rubber.coats)):
                yield self.coat_batch(piece, at)
        for shell in self.jacket.pieces:
            yield self.jacket_batch(shell)
        for insert in self.jacket.loose:
            yield self.loose_batch(insert)
        yield self.gelcoat_batch()
        yield self.cast_batch()

    def brushing_h(self, batch: Batch, people: int) -> float:
        """Time for its pots with so many at it, each with their own pot."""
        rounds = math.ceil(batch.batches / people)
        return rounds * (self.catalogue.rates.mixing_min + batch.brushing_min) / 60.0


def bolt_count(jacket: Jacket) -> int:
    """Bolts of the whole jacket, also into the board: pieces that meet list the same."""
    return sum(bolts_of(jacket))


def bolts_of(jacket: Jacket) -> tuple[int, int]:
    """Bolts through two flanges, and through one and the board."""
    return _each_once(
        [b for piece in jacket.pieces for b in piece.bolts_mm],
        [b for piece in jacket.pieces for b in piece.foot_bolts_mm],
    )


def clamp_count(jacket: Jacket) -> int:
    """Clamps of the whole jacket, each once."""
    return _each_once([c for piece in jacket.pieces for c in piece.clamps_mm], [])[0]


def slot_count(jacket: Jacket) -> int:
    """Wedge slots of the whole jacket, each once, those under the flange on the board too."""
    return sum(wedges_of(jacket))


def wedges_of(jacket: Jacket) -> tuple[int, int]:
    """Wedge slots between two flanges, and under the flange on the board."""
    return _each_once(
        [w for piece in jacket.pieces for w in piece.wedge_points_mm],
        [w for piece in jacket.pieces for w in piece.foot_wedge_points_mm],
    )


def _each_once(between: Sequence[Sequence[float]], below: Sequence[Sequence[float]]) -> tuple[int, int]:
    """Places between two flanges, and those on the board that are none of these."""
    first, all_ = (np.array(points, float).reshape(-1, 3) for points in (between, [*between, *below]))
    return _places(first), _places(all_) - _places(first)


def _places(points: np.ndarray) -> int:
    """How many places (k, 3) points are: those near each other are one."""
    if not len(points):
        return 0
    pairs = cKDTree(points).query_pairs(ONE_PLACE_MM, output_type="ndarray")
    links = coo_array((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(len(points),) * 2)
    return int(connected_components(links, directed=False)[0])


def with_first_days(batches: Iterable[Batch], mixed: dict[tuple[str, str], int]) -> tuple[Batch, ...]:
    """Batches with the day each is first mixed on."""
    return tuple(replace(batch, first_day=mixed.get((batch.coat, batch.piece), 0)) for batch in batches)
