"""Parts of the add-on that need no Blender: the order of sections, stamps, colours, and the zip's make-up."""

from __future__ import annotations

import ast
import base64
import csv
import hashlib
import importlib
import io
import itertools
import sys
import tomllib
import types
import zipfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from mouldloft.inputs.brief import Brief, CastBrief, JobBrief, KeysBrief, OpeningBrief, RubberBrief, RunBrief, SeamBrief
from mouldloft.outputs import look

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def part():
    """Import modules of the add-on without its `__init__`, which needs Blender."""
    package = types.ModuleType("addon_parts")
    package.__path__ = [str(ROOT / "blender_addon")]
    sys.modules["addon_parts"] = package
    return lambda name: importlib.import_module(f"addon_parts.{name}")


@pytest.fixture(scope="module")
def builder():
    sys.path.insert(0, str(ROOT / "scripts"))
    try:
        return importlib.import_module("build_extension")
    finally:
        sys.path.remove(str(ROOT / "scripts"))


def test_every_stage_of_the_pipeline_is_in_one_section(part):
    from mouldloft.stages.plan import MouldPlan

    sections = part("work.sections")
    made = {name for names in sections._RECORDS.values() for name in names} - {"bare_rubber", "solids"}
    kept = set(MouldPlan.__dataclass_fields__) - {
        "brief", "catalogue", "assumptions", "cautions", "lifts", "version", "made_by", "stamps", "mesh_stamp",
        "bare_rubber", "peel", "clay",  # asked for in a brief file or with a scan, not here
    }  # fmt: skip
    assert made == kept


def test_a_change_moves_the_stamps_of_what_follows_from_it(part):
    from mouldloft.inputs.catalogue import read_catalogue

    sections, catalogue = part("work.sections"), read_catalogue(None)

    def changed(token="token", **parts):
        now = sections.stamps(replace(Brief(), **parts), sections.Taken(token, 1400.0), catalogue)
        return {key for key in sections.KEYS if before[key] != now[key]}

    before = sections.stamps(Brief(), sections.Taken("token", 1400.0), catalogue)
    assert changed() == set()
    assert changed(keys=KeysBrief(height_mm=15.0)) == {"keys", "jacket", "order", "solids"}, "a cast knows no keys"
    assert changed(run=RunBrief(hands=3)) == {"order"}
    assert changed(rubber=RubberBrief(draft_deg=4.0)) >= {"glove", "keys", "jacket", "order", "solids"}
    assert not changed(rubber=RubberBrief(draft_deg=4.0)) & {"sculpt", "opening", "seam"}
    assert changed(cast=CastBrief(push_n=400.0)) >= {"casts", "order"}
    assert changed(seam=SeamBrief(own_line=__file__)) == set(sections.KEYS) - {"sculpt", "opening"}
    assert changed(piece="Another name") == set(), "a name is printed, nothing else"
    assert changed(job=JobBrief(studio="Ours")) == set()
    assert changed(token="other") == set(sections.KEYS)
    assert sections.KEYS[:-1] == sections.PLAN_KEYS


def test_a_ranking_of_directions_outlives_another_thickness(part):
    """The search's own ranking is used again where only prices differ; another number of directions ranks anew."""
    from mouldloft.inputs.catalogue import read_catalogue

    sections, catalogue, taken = part("work.sections"), read_catalogue(None), part("work.sections").Taken("t", 1400.0)
    sections.keep_ranking(Brief(), taken, catalogue, "ranked")
    thicker = replace(Brief(), rubber=RubberBrief(skin_thickness_mm=9.0))
    assert sections.ranking_of(thicker, taken, catalogue) == "ranked"
    assert sections.ranking_of(replace(Brief(), opening=OpeningBrief(directions=64)), taken, catalogue) is None
    sections.forget()
    assert sections.ranking_of(Brief(), taken, catalogue) is None


def test_a_section_follows_from_what_its_stages_read(part):
    sections = part("work.sections")
    for section in sections.SECTIONS:
        before = sections.KEYS[: sections.KEYS.index(section.key)]
        assert sections.follows(section.key) <= set(before), section.key
    assert sections.needed_for("casts") == ("sculpt", "opening", "seam", "casts")
    assert sections.needed_for("order") == sections.PLAN_KEYS
    assert sections.needed_for("solids") == sections.KEYS


def test_the_sections_make_the_same_plan_as_the_pipeline(part, small_hare, small_brief, small_plan):
    """Section by section against `mouldloft.pipeline.plan` on the same piece."""
    from mouldloft.base.progress import SILENT
    from mouldloft.inputs.catalogue import read_catalogue

    sections = part("work.sections")
    # what goes before the keys takes most of the time and is one call each: taken as the pipeline made it
    names = ("master", "opening", "undercut", "seam", "locks", "division", "wall")
    done = {name: getattr(small_plan, name) for name in names}
    done["bare_rubber"] = replace(small_plan.bare_rubber, envelopes=small_plan.rubber.envelopes)
    catalogue = read_catalogue(None)
    for key in ("keys", "jacket", "casts", "order"):
        done.update(sections.run_section(key, done, small_brief, catalogue, SILENT))
    made = sections.plan_of(done, small_brief, catalogue)
    assert made.keys == small_plan.keys
    assert made.jacket == small_plan.jacket
    assert made.cast == small_plan.cast
    assert made.takeoff == small_plan.takeoff
    assert made.programme == small_plan.programme
    assert made.cautions == small_plan.cautions
    assert made.assumptions == small_plan.assumptions
    assert made.stamps == small_plan.stamps


# Matrices for full colour-vision deficiency in linear RGB: Machado, Oliveira, Fernandes 2009,
# doi 10.1109/TVCG.2009.113 (from memory, verify).
DEFICIENCIES = {
    "protan": ((0.152286, 1.052583, -0.204868), (0.114503, 0.786281, 0.099216), (-0.003882, -0.048116, 1.051998)),
    "deutan": ((0.367322, 0.860646, -0.227968), (0.280085, 0.672501, 0.047413), (-0.011820, 0.042940, 0.968881)),
    "tritan": ((1.255528, -0.076749, -0.178779), (-0.078411, 0.930809, 0.147602), (0.004733, 0.691367, 0.303900)),
}


def _lab(linear: np.ndarray) -> np.ndarray:
    """CIE L*a*b* (D65) of linear sRGB, by the matrix of IEC 61966-2-1."""
    to_xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
    xyz = np.clip(linear, 0, 1) @ to_xyz.T / np.array([0.9505, 1.0, 1.089])
    f = np.where(xyz > (6 / 29) ** 3, np.cbrt(xyz), xyz * (29 / 6) ** 2 / 3 + 4 / 29)
    return np.stack([116 * f[..., 1] - 16, 500 * (f[..., 0] - f[..., 1]), 200 * (f[..., 1] - f[..., 2])], axis=-1)


@pytest.mark.parametrize("deficiency", ["none", *DEFICIENCIES])
def test_the_maps_colours_are_told_apart_with_any_colour_vision(part, deficiency):
    display = part("work.display")
    colours = [display.FREE_AHEAD, display.FREE_BEHIND, display.FREE_BOTH, display.LOCKED]
    linear = look.to_linear(np.array([look.rgb(c) for c in colours]))
    if deficiency != "none":
        linear = linear @ np.array(DEFICIENCIES[deficiency]).T
    lab = _lab(linear)
    # 15 is several times a just noticeable difference of about 2.3 (Mahy et al. 1994, from memory, verify)
    assert min(np.linalg.norm(a - b) for a, b in itertools.combinations(lab, 2)) > 15.0


def test_freedom_becomes_the_right_swatch(part):
    from mouldloft.stages.undercut import UndercutField

    display = part("work.display")
    plus = np.array([1.0, 0.0, 1.0, 0.0], np.float32)
    minus = np.array([0.0, 1.0, 1.0, 0.0], np.float32)
    field = UndercutField((1.0, 0.0, 0.0), plus, minus, np.zeros(4, np.float32), 1.0, 0.25, "", 0.0)
    made = display.map_colours("FREES", {"undercut": field})
    wanted = [display.FREE_AHEAD, display.FREE_BEHIND, display.FREE_BOTH, display.LOCKED]
    assert np.allclose(look.to_srgb(made.per_face[:, :3]), [look.rgb(c) for c in wanted], atol=1e-3)
    assert made.legend["swatches"][0][1] == "free along the left piece's pull"


# --- the zip ----------------------------------------------------------------------------------------------


def _wheel(path: Path) -> Path:
    files = {
        "pkg/__init__.py": b"x = 1\n",
        "pkg/tests/test_it.py": b"assert True\n" * 100,
        "pkg/part.pxd": b"cdef int x\n",
        "pkg-1.0.dist-info/METADATA": b"Name: pkg\n",
        "pkg-1.0.dist-info/licenses/tests/LICENSE": b"free\n",
        "pkg-1.0.dist-info/RECORD": b"stale\n",
    }
    with zipfile.ZipFile(path, "w") as made:
        for name, data in files.items():
            made.writestr(name, data)
    return path


def test_a_trimmed_wheel_keeps_its_code_and_a_true_record(builder, tmp_path):
    (tmp_path / "out").mkdir()
    made = builder.trim_wheel(_wheel(tmp_path / "pkg-1.0-py3-none-any.whl"), tmp_path / "out")
    with zipfile.ZipFile(made) as given:
        names = set(given.namelist())
        rows = list(csv.reader(io.TextIOWrapper(given.open("pkg-1.0.dist-info/RECORD"), "utf-8")))
        assert names == {
            "pkg/__init__.py", "pkg-1.0.dist-info/METADATA", "pkg-1.0.dist-info/licenses/tests/LICENSE",
            "pkg-1.0.dist-info/RECORD",
        }  # fmt: skip
        assert {row[0] for row in rows} == names
        for name, digest, size in rows:
            if digest:  # as PEP 427 has it: urlsafe base64 without padding
                data = given.read(name)
                wanted = base64.urlsafe_b64encode(hashlib.sha256(data).digest()).rstrip(b"=").decode()
                assert digest == f"sha256={wanted}"
                assert int(size) == len(data)


@pytest.mark.parametrize("python", ["3.11", "3.13"])
def test_the_manifest_says_what_the_zip_is_for(builder, python):
    wheels = [Path("a-1-py3-none-any.whl"), Path("b-2-cp311-cp311-win_amd64.whl")]
    told = tomllib.loads(builder.manifest_text(builder.TARGETS[python], "windows-x64", wheels, None))
    assert told["wheels"] == [f"./wheels/{wheel.name}" for wheel in wheels]
    assert told["platforms"] == ["windows-x64"]
    low, high = told["blender_version_min"], told.get("blender_version_max")
    # Blender 5.1 is the first with Python 3.13
    assert (low, high) == (("4.2.0", "5.1.0") if python == "3.11" else ("5.1.0", None))
    # the manifest's own rules: tagline and permissions at most 64 characters, without a full stop
    for text in (told["tagline"], *told["permissions"].values()):
        assert len(text) <= 64
        assert not text.endswith(".")
    own = tomllib.loads(builder.manifest_text(builder.TARGETS[python], "linux-x64", wheels, "4.3.0"))
    assert own["blender_version_min"] == "4.3.0"
    assert "blender_version_max" not in own


def test_no_numpy_and_every_need_of_the_core_is_bundled(builder):
    needs = {"scipy", "trimesh", "embreex", "manifold3d", "numba", "llvmlite", "shapely", "msgspec"}
    for target in builder.TARGETS.values():
        names = {pin.split("==")[0].lower() for pin in (*target.wheels, *builder.PURE)}
        assert needs <= names
        assert "numpy" not in names


def test_what_the_core_imports_is_in_the_zips_or_never_reached_from_blender(builder):
    bundled = {pin.split("==")[0].lower() for pin in (*builder.TARGETS["3.11"].wheels, *builder.PURE)}
    bundled = (bundled - {"pillow"}) | {"PIL", "numpy"}  # numpy is Blender's own
    outside = {
        (path.stem, name.split(".")[0])
        for path in (ROOT / "core" / "mouldloft").rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text("utf-8")))
        for name in _imported(node)
        if name.split(".")[0] not in bundled | sys.stdlib_module_names
    }
    # the command line; scans of the clay; the demo bodies, of which the zips carry the hare; another renderer, where it
    # is installed
    line = {"cli", "terminal", "bench", "shown"}
    assert {stem for stem, _ in outside} == line | {"closing", "hare", "skin", "byvtk"}, outside


def _imported(node: ast.AST) -> list[str]:
    if isinstance(node, ast.Import):
        return [alias.name for alias in node.names]
    return [node.module] if isinstance(node, ast.ImportFrom) and not node.level and node.module else []


def test_a_wheel_left_from_an_earlier_pin_is_not_bundled(builder, tmp_path):
    for name in (
        "Old_Thing-1.3.2-cp311-x.whl",
        "typing_extensions-4.16.0-py3-none-any.whl",
        "scipy-1.15.3-cp311-x.whl",
    ):
        (tmp_path / name).touch()
    found = builder._pinned(tmp_path, ("scipy==1.15.3", "typing-extensions==4.16.0"))
    assert [path.name.split("-")[0] for path in found] == ["scipy", "typing_extensions"]
    assert builder._pinned(tmp_path, ("scipy==1.15.3", "numba==0.61.2")) == []
    assert builder._pinned(tmp_path, ("scipy==1.15",)) == []


def test_the_addons_version_is_the_cores(builder):
    import mouldloft

    told = tomllib.loads((ROOT / "blender_addon" / "blender_manifest.toml").read_text("utf-8"))
    assert told["version"] == mouldloft.__version__


@pytest.mark.parametrize(
    ("setting", "stage", "name"),
    [
        ("push_n", "cast", "push_n"),
        ("wind_m_s", "cast", "basic_wind_m_s"),
        ("cast_mat_oz", "cast", "mat_oz"),
        ("mat_oz", "jacket", "mat_oz"),
        ("lifters", "jacket", "lifters"),
        ("draft_deg", "rubber", "draft_deg"),
        ("key_height_mm", "keys", "height_mm"),
        ("key_width_mm", "keys", "base_diameter_mm"),
        ("directions", "opening", "directions"),
        ("casts", "run", "casts"),
        ("hands", "run", "hands"),
        ("temperature_c", "run", "workshop_temperature_c"),
    ],
)
def test_an_untouched_setting_is_the_briefs_own_default(setting, stage, name):
    """Read off the source, since a property's default lives only in a running Blender."""
    source = (Path(__file__).parents[2] / "blender_addon" / "scene" / "properties.py").read_text()
    defaults = {
        node.target.id: keyword.value.value
        for node in ast.walk(ast.parse(source))
        if isinstance(node, ast.AnnAssign) and isinstance(node.annotation, ast.Call)
        for keyword in node.annotation.keywords
        if keyword.arg == "default" and isinstance(keyword.value, ast.Constant)
    }
    assert defaults[setting] == getattr(getattr(Brief(), stage), name)


# --- the direction under the hand -------------------------------------------------------------------------


def test_a_dragged_direction_snaps_to_axes_and_proposals(part):
    quick = part("work.quick")
    lean = (np.cos(np.radians(40)), np.sin(np.radians(40)), 0.0)
    assert quick.snapped((0.99, 0.1, -0.05), [lean]) == (1.0, 0.0, 0.0)
    assert quick.snapped((-0.99, 0.1, 0.05), []) == (-1.0, 0.0, 0.0)
    near = (np.cos(np.radians(45)), np.sin(np.radians(45)), 0.02)
    assert np.allclose(quick.snapped(near, [lean]), lean)
    assert np.allclose(quick.snapped(np.negative(near), [lean]), np.negative(lean))
    # nothing named near: whole steps of 15 degrees, 45 and 30 here
    turn, rise = np.radians(47), np.radians(34)
    free = (np.cos(rise) * np.cos(turn), np.cos(rise) * np.sin(turn), np.sin(rise))
    turn, rise = np.radians(45), np.radians(30)
    assert np.allclose(
        quick.snapped(free, []), (np.cos(rise) * np.cos(turn), np.cos(rise) * np.sin(turn), np.sin(rise))
    )


def test_the_arrows_tip_follows_the_pointer_over_a_sphere(part):
    quick = part("work.quick")
    centre, eye = (1.0, 2.0, 3.0), (1.0, -8.0, 3.0)
    # straight at the middle: the near side or the far one, whichever the arrow is on
    assert np.allclose(quick.on_sphere(eye, (0, 1, 0), centre, 2.0, (0.1, -1, 0)), (0, -1, 0))
    assert np.allclose(quick.on_sphere(eye, (0, 1, 0), centre, 2.0, (0.1, 1, 0)), (0, 1, 0))
    # a line 1 off the middle meets a sphere of 2 where sin = 1/2
    off = (eye[0] + 1.0, eye[1], eye[2])
    assert np.allclose(quick.on_sphere(off, (0, 1, 0), centre, 2.0, (0, -1, 0)), (0.5, -np.sqrt(0.75), 0.0))
    # one that passes by takes the rim
    past = (eye[0] + 5.0, eye[1], eye[2])
    assert np.allclose(quick.on_sphere(past, (0, 1, 0), centre, 2.0, (0, -1, 0)), (1.0, 0.0, 0.0))


def test_the_ring_turns_about_the_upright_axis(part):
    quick = part("work.quick")
    assert np.allclose(quick.turned_about((1, 0, 0.5), (0, 0, 1), np.pi / 2), (0, 1, 0.5))
    back = quick.turned_about(quick.turned_about((0.3, 0.2, 0.9), (0, 0, 1), 1.1), (0, 0, 1), -1.1)
    assert np.allclose(back, (0.3, 0.2, 0.9))


def test_the_last_results_of_each_section_are_kept_and_no_more(part):
    records = part("work.records")
    records.forget()
    for k in range(10):
        records.keep("jacket", f"stamp {k}", {"jacket": k})
        records.keep("seam", "same", {"seam": k})
    assert [k for k in range(10) if records.kept("jacket", f"stamp {k}")] == [7, 8, 9]
    assert records.kept("seam", "same") == {"seam": 9}
    records.forget()
    assert records.kept("seam", "same") is None


def test_what_was_made_ready_for_a_master_goes_with_it(part, small_plan):
    quick = part("work.quick")
    master = replace(small_plan.master)
    assert quick.mapper_for(master) is quick.mapper_for(master)
    del master
    assert quick._ready is None


def zipped(entries: dict[str, bytes]) -> bytes:
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as out:
        for name, data in entries.items():
            out.writestr(name, data)
    return made.getvalue()


@pytest.mark.parametrize("nested", [False, True])
def test_what_a_blend_keeps_may_not_unpack_to_far_more_than_it_weighs(part, nested):
    """80 MB of nought in 80 kB, sound otherwise: in the archive itself, or in the arrays within it."""
    bare = io.BytesIO()
    np.lib.format.write_array(bare, np.zeros(20_000_000, np.float32), allow_pickle=False)
    small, large = zipped({}), zipped({"master.vertices_mm.npy": bare.getvalue()})
    table = b'{"records": {}, "stamps": {}}'
    sound = zipped({"records.json": table, "arrays.npz": small})
    assert part("work.store").unpack(sound) == ({}, {})
    bomb = {"arrays.npz": large} if nested else {"arrays.npz": small, "more": bare.getvalue()}
    with pytest.raises(ValueError, match=r"it unpacks to 0\.1 GiB, more than is read"):
        part("work.store").unpack(zipped({"records.json": table, **bomb}))
