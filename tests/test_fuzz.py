"""Every reader on files spoilt at random and on files made to harm: a result or one sentence, within bounds."""

from __future__ import annotations

import ast
import base64
import csv
import hashlib
import io
import json
import re
import subprocess
import sys
import zipfile
from dataclasses import replace
from html.parser import HTMLParser
from importlib import resources
from pathlib import Path

import bombs
import mouldloft
import numpy as np
import pytest
import trimesh
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from mouldloft.base.errors import BriefRefused, CatalogueRefused, MasterRefused, MouldloftError, PlanFileRefused
from mouldloft.demo import hare as demo
from mouldloft.inputs.brief import MasterBrief, brief_from_dict, read_brief
from mouldloft.inputs.catalogue import read_catalogue
from mouldloft.outputs.compare import Comparison, comparison_html
from mouldloft.outputs.planfile import open_plan, save_plan
from mouldloft.outputs.results import write_results
from mouldloft.solids.build import write_solids
from mouldloft.solids.solid import Solid
from mouldloft.stages.master import prepare_master, read_master
from mouldloft.stages.pipeline import plan as make_plan
from mouldloft.stages.seam.ownline import read_keep_clear, read_own_lines
from mouldloft.stages.takeoff import order_csv

SIZE = MasterBrief(finished_height_mm=500.0)
BALL = trimesh.creation.icosphere(1, 50.0)
ROOT = Path(__file__).resolve().parent.parent


def repeatable(examples: int) -> settings:
    """The same examples on every machine, and files left from one example overwritten by the next."""
    return settings(
        max_examples=examples,
        derandomize=True,
        deadline=None,
        database=None,
        suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
    )


def is_one_sentence(error: MouldloftError) -> bool:
    text = str(error)
    return "\n" not in text and text.endswith(".") and 30 < len(text) < 1500


def end_of(read, refusal: type[MouldloftError]):
    """What `read()` returns, or None where it was refused in one sentence."""
    try:
        return read()
    except refusal as error:
        said = error
    assert is_one_sentence(said), said
    return None


# --- spoiling

WORDS = (
    b"\xff\xff\xff\xff", b"\0\0\0\x80", b"\xff\xff\xff\x7f", b"\0\0\xc0\x7f", b"\0\0\x80\xff", b"\0" * 4, b"0", b"-1",
    b"4294967296", b"2147483648", b"9" * 30, b"9" * 5000, b"1e999", b"nan", b"-inf", b"1e308", b"\xc2\xb2", b"\n", b'"',
    b"[", b"}", b"<", b"=", b"../", b"\xed\xa0\x80", b"true",
)  # fmt: skip
SPOILS = st.lists(
    st.tuples(
        st.sampled_from(["flip", "cut", "insert", "over", "number", "drop", "double"]),
        st.floats(0, 1, exclude_max=True),
        st.booleans(),
        st.sampled_from(WORDS) | st.binary(min_size=1, max_size=6),
    ),
    min_size=1,
    max_size=5,
)


def spoil(data: bytes, spoils) -> bytes:
    """Flip bits, cut short, insert, overwrite, swap numbers, drop and double; every second place near the head."""
    out = bytearray(data)
    for kind, share, near_head, word in spoils:
        if not out:
            break
        at = int(share * (min(len(out), 600) if near_head else len(out)))
        if kind == "flip":
            out[at] ^= 1 << (word[0] % 8)
        elif kind == "cut":
            del out[at:]
        elif kind == "insert":
            out[at:at] = word
        elif kind == "over":
            out[at : at + len(word)] = word
        elif kind == "number":
            found = re.compile(rb"\d+").search(out, at)
            if found:
                out[found.start() : found.end()] = word
        elif kind == "drop":
            del out[at : at + 40]
        else:
            out[at:at] = out[at : at + 120]
    return bytes(out)


def spoil_and_read(path, whole: bytes, reader, refusal, examples: int, how=spoil) -> list:
    """`reader` on the file as it is, then on `examples` spoilt ones; what each ended in, None for a refusal."""
    path.write_bytes(whole)
    assert reader(path) is not None
    ends = []

    @repeatable(examples)
    @given(SPOILS)
    def reads(spoils):
        path.write_bytes(how(whole, spoils))
        ends.append(end_of(lambda: reader(path), refusal))

    reads()
    assert any(end is None for end in ends)
    return [end for end in ends if end is not None]


# --- meshes


def _gltf() -> bytes:
    files = trimesh.exchange.gltf.export_gltf(trimesh.Scene(BALL))
    tree = json.loads(files["model.gltf"])
    for buffer in tree["buffers"]:
        held = base64.b64encode(files[buffer["uri"]]).decode()
        buffer["uri"] = "data:application/octet-stream;base64," + held
    return json.dumps(tree).encode()


def _glb_head(data: bytes, spoils) -> bytes:
    """Spoil only the JSON part, and keep the container's lengths right; where a number is put in place of a number,
    nothing else is spoilt, so that it stays JSON."""
    tree, binary = bombs.split_glb(data)
    numbers = [one for one in spoils if one[0] == "number" and one[3].lstrip(b"-").isdigit()]
    spoils = numbers or spoils
    return bombs.join_glb(spoil(json.dumps(tree).encode(), spoils), binary)


def _model(data: bytes, spoils) -> bytes:
    """Spoil only the XML inside the zip."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(out, "w") as new:
        for name in old.namelist():
            inner = old.read(name)
            new.writestr(name, spoil(inner, spoils) if name.endswith(".model") else inner)
    return out.getvalue()


def _exported(kind: str, **options) -> bytes:
    data = BALL.export(file_type=kind, **options)
    return data if isinstance(data, bytes) else data.encode()


def _packed_3mf() -> bytes:
    out = io.BytesIO()
    BALL.export(out, file_type="3mf")
    return out.getvalue()


FORMATS = {
    "binary STL": (".stl", lambda: _exported("stl"), spoil),
    "text STL": (".stl", lambda: trimesh.exchange.stl.export_stl_ascii(BALL).encode(), spoil),
    "OBJ": (".obj", lambda: _exported("obj"), spoil),
    "binary PLY": (".ply", lambda: _exported("ply"), spoil),
    "text PLY": (".ply", lambda: _exported("ply", encoding="ascii"), spoil),
    "OFF": (".off", lambda: _exported("off"), spoil),
    "GLB": (".glb", lambda: _exported("glb"), spoil),
    "GLB's JSON": (".glb", lambda: _exported("glb"), _glb_head),
    "glTF": (".gltf", _gltf, spoil),
    "3MF": (".3mf", _packed_3mf, spoil),
    "3MF's XML": (".3mf", _packed_3mf, _model),
}


@pytest.mark.parametrize("name", FORMATS)
def test_spoilt_meshes_end_in_a_master_or_one_sentence(name, tmp_path):
    suffix, make, how = FORMATS[name]
    masters = spoil_and_read(
        tmp_path / f"piece{suffix}", make(), lambda path: read_master(path, SIZE), MasterRefused, 120, how
    )
    # or the spoiling is too rough to test anything; of a small glTF nearly every byte is its frame
    assert masters or suffix in (".glb", ".gltf")
    for master in masters:
        assert np.isfinite(master.vertices_mm).all()
        assert master.faces.max() < len(master.vertices_mm)
        assert master.height_mm == pytest.approx(500.0)


# --- briefs, catalogues, lines and weights


def test_spoilt_briefs_and_catalogues_end_in_a_record_or_one_sentence(tmp_path):
    path = tmp_path / "given.toml"
    materials = resources.files("mouldloft.inputs").joinpath("data/materials.toml").read_text("utf-8").encode()
    assert spoil_and_read(path, demo.BRIEF_TEXT.encode(), read_brief, BriefRefused, 150)
    assert spoil_and_read(path, materials, read_catalogue, CatalogueRefused, 150)


ANY = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8) | st.just(10**400),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=6,
)
PARTS = ["master", "run", "opening", "seam", "rubber", "keys", "jacket", "cradle", "cast", "materials", "piece", "x"]
NAMES = ["finished_height_mm", "casts", "direction", "own_line", "pixel_mm", "own_keys", "working_tilts_deg", "up", "x"]


@repeatable(150)
@given(st.dictionaries(st.sampled_from(PARTS), st.dictionaries(st.sampled_from(NAMES), ANY, max_size=3) | ANY))
def test_any_values_make_a_brief_or_one_sentence(given_parts):
    end_of(lambda: brief_from_dict(given_parts), BriefRefused)


@pytest.mark.parametrize(
    "text",
    [
        "[piece]\na = 1\n",
        "[master.finished_height_mm]\na = 1\n",
        "[[master]]\n",
        "[cast]\npush_n = 1e300\n",
        "[keys]\nedge_spacing_mm = 1e-9\n",
        "[keys]\nown_keys = [" + "['a', 0, 0, 0]," * 2000 + "]\n",
        "[cradle]\nworking_tilts_deg = [1e9]\n",
        "[rubber]\nhandling_points_mm = [[1e300, 0, 0]]\n",
        "[master]\nfinished_height_mm = -inf\n",
    ],
)
def test_absurd_briefs_are_refused(text, tmp_path):
    path = tmp_path / "brief.toml"
    path.write_text(text)
    with pytest.raises(BriefRefused) as caught:
        read_brief(path)
    assert is_one_sentence(caught.value)


@pytest.mark.parametrize(
    ("field", "value"),
    [("batch_limit_kg", 1e-9), ("keys_per_h", 1e-300), ("warm_doubling_c", 1e-6), ("baseboard_h", 1e9)],
)
def test_absurd_rates_are_refused(field, value, tmp_path):
    """Each of these would make pots or days without end."""
    path = tmp_path / "materials.toml"
    path.write_text(
        f'builds_on_bundled = true\n[rates]\n{field} = {{value = {value}, mark = "invented for the demo"}}\n'
    )
    with pytest.raises(CatalogueRefused, match=field):
        read_catalogue(path)


def test_spoilt_lines_and_weights_end_in_arrays_or_one_sentence(tmp_path):
    line = [[10.0 * k, 5.5, -3.25] for k in range(12)]
    rows = "\n".join(",".join(map(str, point)) for point in line).encode()
    weights = np.linspace(-1, 1, 12)
    cases = {
        "line.json": (json.dumps([line, line]).encode(), read_own_lines),
        "line.csv": (rows, read_own_lines),
        "clear.csv": (b"\n".join(b"%g" % w for w in weights), lambda path: read_keep_clear(path, 12)),
        "clear.npy": (bombs.npy(weights), lambda path: read_keep_clear(path, 12)),
    }
    for name, (whole, reader) in cases.items():
        for found in spoil_and_read(tmp_path / name, whole, reader, BriefRefused, 100):
            assert all(np.isfinite(part).all() for part in found)


def test_pickled_weights_are_refused_unopened(tmp_path):
    path = tmp_path / "clear.npy"
    path.write_bytes(bombs.npy(np.array([Harm()], dtype=object), allow_pickle=True))
    with pytest.raises(BriefRefused):
        read_keep_clear(path, 1)
    assert not Harm.done


class Harm:
    """Unpickling it would be seen."""

    done = False

    def __reduce__(self):
        return (setattr, (Harm, "done", True))


# --- saved plans


@pytest.fixture(scope="module")
def saved(small_plan, tmp_path_factory):
    return save_plan(small_plan, tmp_path_factory.mktemp("plan"))


def _reopens(path: Path) -> bool:
    return end_of(lambda: open_plan(path), PlanFileRefused) is not None


def test_spoilt_plans_reopen_or_are_refused(saved, tmp_path):
    arrays = next(saved.parent.glob("*.npz"))
    (tmp_path / arrays.name).write_bytes(arrays.read_bytes())
    spoil_and_read(tmp_path / "plan.json", saved.read_bytes(), open_plan, PlanFileRefused, 100)


def _leaves(value, path=()):
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from _leaves(inner, (*path, key))
    elif isinstance(value, list) and value:
        yield from _leaves(value[0], (*path, 0))
    else:
        yield path


def test_values_of_another_type_are_refused(saved, tmp_path):
    """A wrong value deep in the record is found on reopening, not when somebody buys by it."""
    record = json.loads(saved.read_text("utf-8"))
    arrays = next(saved.parent.glob("*.npz"))
    (tmp_path / arrays.name).write_bytes(arrays.read_bytes())
    places = list(_leaves(record["plan"]))
    assert len(places) > 300
    path = tmp_path / "plan.json"

    @repeatable(40)
    @given(st.integers(0, len(places) - 1), st.sampled_from([{"a": 1}, [[1]]]))
    def refused(at, wrong):
        spoilt = json.loads(json.dumps(record))
        *way, last = places[at]
        holder = spoilt["plan"]
        for key in way:
            holder = holder[key]
        holder[last] = wrong
        path.write_text(json.dumps(spoilt), "utf-8")
        assert not _reopens(path), places[at]

    refused()


@pytest.mark.parametrize("harm", ["pickle", "huge head", "zip bomb", "wrong shape", "no zip", "deep", "elsewhere"])
def test_harmful_array_files_are_refused(harm, saved, tmp_path):
    record = json.loads(saved.read_text("utf-8"))
    whole = zipfile.ZipFile(next(saved.parent.glob("*.npz")))
    entries = {name.removesuffix(".npy"): whole.read(name) for name in whole.namelist()}
    first = next(iter(entries))
    if harm == "pickle":
        entries[first] = bombs.npy(np.array([Harm()], dtype=object), allow_pickle=True)
    elif harm == "huge head":
        head = io.BytesIO()
        np.lib.format.write_array_header_1_0(head, {"descr": "<f8", "fortran_order": False, "shape": (10**12,)})
        entries[first] = head.getvalue() + b"\0" * 64
    elif harm == "zip bomb":
        packed = sum(entry.compress_size for entry in whole.infolist())
        entries["blanks"] = bombs.npy(np.zeros(110 * packed + 2**26, np.uint8))  # a hundred times may be honest
    elif harm == "wrong shape":
        entries[first] = bombs.npy(np.zeros((2, 2)))
    data = b"PK\x03\x04" if harm == "no zip" else bombs.array_file(entries)
    if harm == "elsewhere":
        record["arrays"] = "..\\plan-arrays.npz"
    (tmp_path / record["arrays"]).write_bytes(data)
    record["arrays_sha256"] = hashlib.sha256(data).hexdigest()
    text = json.dumps(record) if harm != "deep" else "[" * 200_000
    (tmp_path / "plan.json").write_text(text, "utf-8")
    assert not _reopens(tmp_path)
    assert not Harm.done


# --- under a memory limit


@pytest.mark.skipif(sys.platform == "win32", reason="memory limits of a process are POSIX")
def test_bombs_are_refused_within_bounds(tmp_path):
    made = {**bombs.MESHES, **bombs.TEXTS}
    for name, make in made.items():
        (tmp_path / name).write_bytes(make())
    words = [sys.executable, str(Path(bombs.__file__)), str(tmp_path)]
    done = subprocess.run(words, capture_output=True, text=True, timeout=240, check=False)
    assert done.returncode == 0, done.stderr[-2000:]
    rows = [json.loads(line) for line in done.stdout.splitlines()]
    assert {row["name"] for row in rows} == set(made)
    for row in rows:
        assert row["said"], f"{row['name']} was taken for good"
        assert row["said"].endswith(".")
    # the interpreter and its libraries take about 250 MB; nothing here may add what it promises
    assert max(row["peak_mb"] for row in rows) < 1200


# --- names that go into files

NASTY = [
    "../../outside", "/etc/passwd", "..\\..\\x", "a\0b", "CON", "aux.txt", "nul", "LPT1", "x" * 300, "Häschen 兎 🐇",
    "<script>alert(1)</script>", "=1+1", "@x", "' onmouseover='x", "${name}", "\u202egnp", "a\nb", " ", "...",
]  # fmt: skip


def _hostile(plan, name: str):
    pieces = tuple(replace(piece, name=name) for piece in plan.seam.pieces)
    return replace(
        plan,
        brief=replace(plan.brief, piece=name),
        master=replace(plan.master, name=name),
        seam=replace(plan.seam, pieces=pieces),
    )


@pytest.fixture(scope="module")
def vase_plan():
    """Of a small body, which has every file that the hare has."""
    body = trimesh.creation.capsule(height=120, radius=60, count=[24, 24])
    asked = {
        "master": {"finished_height_mm": 300}, "opening": {"directions": 32, "refine": 0, "seams": 1},
        "rubber": {"pixel_mm": 4.0}, "seam": {"kind": "plane"},
    }  # fmt: skip
    brief = brief_from_dict(asked)
    return make_plan(prepare_master(np.asarray(body.vertices), np.asarray(body.faces), brief.master), brief)


@pytest.mark.parametrize("name", NASTY, ids=ascii)
def test_no_name_leads_outside_the_folder_or_stops_the_writing(name, vase_plan, tmp_path):
    out = tmp_path / "deep" / "out"
    plan = _hostile(vase_plan, name)
    write_results(plan, out, pictures=False)
    assert open_plan(out).master.name == name
    tetra = trimesh.creation.icosahedron()
    solid = Solid(name, "test", np.array(tetra.vertices), np.array(tetra.faces, np.int32), float(tetra.volume))
    write_solids([solid, solid], out / "solids", ("stl",))
    files = {path.relative_to(tmp_path).as_posix() for path in tmp_path.rglob("*") if path.is_file()}
    assert len([file for file in files if "/solids/" in file]) == 2
    assert {"deep/out/plan.json", "deep/out/order.csv", "deep/out/summary.txt"} <= files
    reserved = {"con", "aux", "nul", "prn", "lpt1", "com1"}
    for file in files:
        assert re.fullmatch(r"deep/out/((solids|templates)/)?[a-z0-9-]{1,90}\.[a-z0-9]{3,4}", file)
        assert Path(file).stem not in reserved  # Windows opens a device for these


def test_names_cannot_start_a_formula_a_row_or_a_tag(small_plan):
    takeoff = small_plan.takeoff
    rows = len(list(csv.reader(io.StringIO(order_csv(takeoff)))))
    plain = tags(comparison_html(Comparison(names=("a", "b"), rows=())))

    @repeatable(60)
    @given(st.text(max_size=40) | st.sampled_from(NASTY))
    def stays_text(name):
        named = replace(takeoff, lines=(replace(takeoff.lines[0], name=name), *takeoff.lines[1:]))
        read = list(csv.reader(io.StringIO(order_csv(named), newline="")))
        assert len(read) == rows
        assert not [cell for row in read for cell in row if cell.lstrip()[:1] in tuple("=+-@")]
        assert tags(comparison_html(Comparison(names=(name, "b"), rows=()))) == plain

    stays_text()


def tags(page: str) -> list[str]:
    found: list[str] = []

    class Reader(HTMLParser):
        def handle_starttag(self, tag, attrs):
            found.append(tag + str(sorted(key for key, _ in attrs)))

    Reader().feed(page)
    return found


# --- no pickle in the code


UNPICKLERS = {"pickle", "cPickle", "marshal", "shelve", "joblib", "dill", "cloudpickle"}


def what_runs_a_files_code(source: str) -> list[str]:
    """Imports and calls by which a file read could run code of its own: pickles, eval, exec, NumPy's object arrays."""
    found = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import | ast.ImportFrom):
            names = [alias.name for alias in node.names] + [getattr(node, "module", None) or ""]
            found += [name for name in names if name.split(".")[0] in UNPICKLERS]
        elif isinstance(node, ast.Call):
            name = ast.unparse(node.func)
            words = {word.arg: ast.unparse(word.value) for word in node.keywords}
            plain = name in ("eval", "exec", "compile", "__import__")
            loads = name.endswith(("np.load", "numpy.load", "read_array")) and words.get("allow_pickle") != "False"
            found += [name] if plain or loads or words.get("allow_pickle") == "True" else []
    return found


@pytest.mark.parametrize(
    "line",
    [
        "import pickle", "from joblib import load", "import numpy as np\nnp.load(path)", "eval(text)",
        "np.lib.format.read_array(stream, allow_pickle=True)", "import dill as d",
    ],
)  # fmt: skip
def test_what_runs_a_files_code_is_recognised(line):
    assert what_runs_a_files_code(line)
    assert not what_runs_a_files_code("np.load(path, allow_pickle=False)\nre.compile(text)\nmodel.eval_at(3)")


def test_nothing_unpickles():
    addon = ROOT / "blender_addon"
    sources = list(Path(mouldloft.__file__).parent.rglob("*.py"))
    sources += [path for path in addon.rglob("*.py") if "wheels" not in path.parts]
    # the readers themselves are among them, wherever they have moved
    names = {path.name for path in sources}
    assert {"meshfile.py", "planfile.py", "files.py", "store.py"} <= names
    found = {path.name: calls for path in sources if (calls := what_runs_a_files_code(path.read_text("utf-8")))}
    assert found == {}
