"""The stage's work: which ways are tried on each glove, coarse and fine, several at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ...base.errors import PlanImpossible
from ...base.marks import Assumption, Mark
from ...base.progress import SILENT, Progress
from ...base.threads import in_threads
from ...geometry.rays import RayScene, ray_scene
from ...inputs.brief import Brief, PeelBrief
from ...inputs.materials import RubberMaterial
from ..keys import Key, key_bumps
from ..locks import Locks
from ..master import Master
from ..rubber import Envelope, LoosePiece, Rubber
from ..seam import Seam
from .advice import Cure, cure_words, cures_for
from .body import CastField, RubberLaw, law_of
from .glove import PeelGlove, cast_field, peel_glove
from .paths import STRAIGHT, PeelPath, paths_for
from .rebuilt import rebuilt_gloves
from .record import Peel, PeeledGlove
from .trial import PeelTry, try_peel
from .verdict import DOUBT, decisive, effort, judged

_COARSE, _FINE = 1.7, 1.3  # pitch of the lattice in thicknesses of the skin
_LEAST_PITCH_MM = 3.0
_FINER_WAYS = 2
LEFT_OUT = (
    "suction under rubber that no air reaches", "rubber sticking to the cast", "friction of rubber on rubber",
    "nicks that start a tear before the rubber's own break",
)  # fmt: skip


@dataclass(frozen=True)
class _Job:
    glove: int
    path: PeelPath
    friction: float


@dataclass(frozen=True, eq=False)
class _Bench:
    """Gloves of one pitch on their cast, ready to be pulled."""

    gloves: tuple[PeelGlove, ...]
    cast: CastField
    law: RubberLaw
    brief: PeelBrief
    floor_mm: float
    breaks_at: float

    def pulled(
        self, jobs: Sequence[_Job], progress: Progress, span: tuple[float, float], note: str, gently: bool = False
    ) -> list[PeelTry]:
        """Every job tried, in threads: the compiled steps keep the interpreter free. Stops all with `progress`.

        gently : with hands that pull so little that there is no doubt they can; else up to twice what they can.
        """
        hands_n = self.brief.hands_n / DOUBT if gently else 2 * self.brief.hands_n
        done = [0.0] * len(jobs)
        live = Progress(
            lambda _stage, _fraction, words: progress.step(
                span[0] + (span[1] - span[0]) * sum(done) / max(len(jobs), 1), words
            )
        )
        workers: list[Progress] = []

        def run(k: int) -> PeelTry:
            own = Progress(lambda _stage, fraction, _note: done.__setitem__(k, fraction))
            workers.append(own)
            job = jobs[k]
            tried = try_peel(
                self.gloves[job.glove], self.cast, self.law, job.path, job.friction, hands_n,
                self.brief.average_mm, own, self.floor_mm, self.breaks_at,
            )  # fmt: skip
            done[k] = 1.0
            return tried

        try:
            return in_threads(run, range(len(jobs)), live, note=note)
        finally:
            for own in workers:
                own.cancel()


def peel_gloves(
    master: Master,
    seam: Seam,
    locks: Locks,
    rubber: Rubber,
    whole: Brief,
    material: RubberMaterial,
    progress: Progress = SILENT,
    scene: RayScene | None = None,
    keys: Sequence[Key] = (),
) -> Peel:
    """Peel every glove off the cast by mechanics and say how it goes.

    whole : the brief, by which a glove in doubt is also brushed otherwise. keys : that stand on the gloves' outsides.
    All hands together may pull twice what the brief's people can, so that one try tells off from doubtful and stuck.
    Raises `Cancelled`, and `PlanImpossible` where a glove cannot be set in motion.
    """
    brief = whole.peel
    progress.step(0.0, "how far the cast is, on a grid")
    cast = cast_field(master, scene or ray_scene(master.vertices_mm, master.faces), progress=progress.part(0.0, 0.04))
    law = law_of(material.young_modulus_mpa, material.density_kg_m3 * 1e-9)
    skin = rubber.skin_thickness_mm
    keyed = [replace(each, outer_mm=each.outer_mm + key_bumps(each, keys)) for each in rubber.envelopes]
    coarse = brief.pitch_mm or max(_COARSE * skin, _LEAST_PITCH_MM)

    def bench(pitch_mm: float, span: tuple[float, float]) -> _Bench:
        count = len(rubber.envelopes)
        parts = [
            progress.part(*(span[0] + (span[1] - span[0]) * (k + e) / count for e in (0, 1))) for k in range(count)
        ]
        gloves = tuple(
            peel_glove(
                master, seam.labels, envelope, cast, pitch_mm, law.density_kg_per_mm3, own,
                [one for one in rubber.loose if one.piece == envelope.piece],
            )
            for envelope, own in zip(keyed, parts)
        )  # fmt: skip
        return _Bench(gloves, cast, law, brief, _floor_mm(master), locks.elongation_at_break)

    try:
        tries = _all_tries(bench, coarse, coarse * _FINE / _COARSE, brief, progress, locks.stretch_allowed)
    except FloatingPointError as error:
        raise PlanImpossible(f"A glove could not be set in motion ({error}); plan without --peel.") from None
    gloves = tuple(
        judged(master, rubber, locks, k, found, glove, brief) for k, (glove, found) in enumerate(zip(*tries))
    )
    doubted = _Doubted(master, seam, rubber, whole, cast, law, locks.elongation_at_break)
    gloves = tuple(
        made if made.verdict == "off" else doubted.advised(made, glove, found, progress)
        for made, glove, found in zip(gloves, *tries)
    )
    progress.step(1.0)
    return Peel(
        gloves=gloves, people=brief.people, hands_n=brief.hands_n, frictions=tuple(brief.frictions),
        average_mm=brief.average_mm, stretch_allowed=locks.stretch_allowed, shear_mpa=law.shear_mpa, left_out=LEFT_OUT,
    )  # fmt: skip


def _floor_mm(master: Master) -> float:
    """Height of what the cast stands on."""
    return float(master.vertices_mm[:, 2].min())


@dataclass(frozen=True, eq=False)
class _Doubted:
    """What a glove that may not come off is tried again with."""

    master: Master
    seam: Seam
    rubber: Rubber
    brief: Brief
    cast: CastField
    law: RubberLaw
    breaks_at: float

    def advised(self, made: PeeledGlove, glove: PeelGlove, tries: Sequence[PeelTry], progress: Progress) -> PeeledGlove:
        """The glove's record with what came of each cure, run again along the way chosen with the most friction."""
        hands_n = self.brief.peel.hands_n
        way = next(t.path for t in tries if t.path.words == made.way)
        before = max(decisive([t for t in tries if t.path == way], hands_n), key=lambda t: (-t.pitch_mm, t.friction))
        cures = (*cures_for(self.master, glove, self.law, before), *self._rebuilt(made.piece, before.pitch_mm))
        stopping = Progress()

        def run(cure: Cure) -> PeelTry | None:
            try:
                changed = cure.glove(stopping)
                if changed is None:
                    return None
                return try_peel(
                    changed, self.cast, cure.law, way, before.friction, before.hands_n, self.brief.peel.average_mm,
                    stopping, _floor_mm(self.master), self.breaks_at,
                )  # fmt: skip
            except FloatingPointError:  # a crumb beside a slit: this cure says nothing
                return None

        try:
            after = in_threads(run, cures, progress, (0.95, 1.0), "trying what would help")
        finally:
            stopping.cancel()
        return replace(made, advice=tuple(cure_words(c, before, t) for c, t in zip(cures, after) if t is not None))

    def _rebuilt(self, piece: int, pitch_mm: float) -> tuple[Cure, ...]:
        """The glove brushed otherwise, without keys: they are set once it is chosen."""

        def cut(labels: np.ndarray, envelope: Envelope, loose: Sequence[LoosePiece], progress: Progress) -> PeelGlove:
            density = self.law.density_kg_per_mm3
            return peel_glove(self.master, labels, envelope, self.cast, pitch_mm, density, progress, loose)

        found = rebuilt_gloves(self.master, self.seam, self.rubber, self.brief, piece, cut)
        return tuple(Cure(one.words, one.brush, self.law) for one in found)


def _all_tries(  # type: ignore[no-untyped-def]
    bench, coarse: float, fine: float, brief: PeelBrief, progress: Progress, allowed: float
):
    """The gloves as last cut into cells, and for each the tries made of it: straight first, then, where the brief wants
    all ways, the others with the most friction, then the best again finer with every friction."""
    few = brief.ways == "straight"
    rough = bench(coarse, (0.04, 0.06))
    span = (0.06, 0.95) if few else (0.06, 0.2)
    jobs = [_Job(k, STRAIGHT, f) for k in range(len(rough.gloves)) for f in brief.frictions]
    made = list(zip(jobs, rough.pulled(jobs, progress, span, "peeling straight")))
    last = rough
    if not few:
        most = max(brief.frictions)
        jobs = [_Job(k, p, most) for k, g in enumerate(rough.gloves) for p in paths_for(g.pull)[1:]]
        made += zip(jobs, rough.pulled(jobs, progress, (0.2, 0.5), "peeling in other ways"))
        last = bench(fine, (0.5, 0.52))
        ways = [
            (k, path)
            for k in range(len(rough.gloves))
            for path in _best_ways([t for job, t in made if job.glove == k and job.friction == most], brief, allowed)
        ]
        made += _fine_tries(last, ways, brief.frictions, progress)
    return last.gloves, [[t for job, t in made if job.glove == k] for k in range(len(last.gloves))]


def _fine_tries(
    bench: _Bench, ways: Sequence[tuple[int, PeelPath]], frictions: Sequence[float], progress: Progress
) -> list[tuple[_Job, PeelTry]]:
    """Each glove's ways pulled gently, most friction first, and hard where that does not do: who may pull twice what he
    can pulls more than is needed."""
    made: list[tuple[_Job, PeelTry]] = []
    held: list[tuple[int, PeelPath]] = []
    for k, friction in enumerate(sorted(frictions, reverse=True)):
        jobs = [_Job(*way, friction) for way in ways if way not in held]
        span = (0.52 + 0.23 * k / len(frictions), 0.52 + 0.23 * (k + 1) / len(frictions))
        gentle = bench.pulled(jobs, progress, span, "peeling the best ways, finer", gently=True)
        held += [(job.glove, job.path) for job, t in zip(jobs, gentle) if not t.off]
        made += zip(jobs, gentle)
    jobs = [_Job(*way, friction) for way in held for friction in frictions]
    return [*made, *zip(jobs, bench.pulled(jobs, progress, (0.75, 0.95), "peeling the best ways harder"))]


def _best_ways(tries: Sequence[PeelTry], brief: PeelBrief, allowed: float) -> list[PeelPath]:
    return [t.path for t in sorted(tries, key=lambda t: effort(t, brief.hands_n, allowed))[:_FINER_WAYS]]


def peel_assumptions(peel: Peel | None) -> tuple[Assumption, ...]:
    """What the mechanics rest on that is not geometry; nothing where no glove was peeled."""
    if peel is None:
        return ()
    frictions = " and ".join(f"{f:g}" for f in peel.frictions)
    return (
        Assumption("peeling: friction of rubber on the cast", frictions, Mark.INVENTED, "a range to stay within"),
        Assumption("peeling: pull of all hands", f"{peel.hands_n:.0f} N, {peel.people} people", Mark.INVENTED),
        Assumption(
            "peeling: rubber's law", f"incompressible neo-Hookean, shear modulus {peel.shear_mpa:.2f} MPa", Mark.MEMORY,
            "a third of the catalogue's modulus; real rubber stiffens past about twice its length",
        ),
        Assumption("peeling: stretch is a mean over", f"{peel.average_mm:g} mm of rubber", Mark.COMMON_PRACTICE),
        Assumption("peeling leaves out", ", ".join(peel.left_out), Mark.COMMON_PRACTICE),
    )  # fmt: skip
