"""The house stands: every file imports only files below it, and the outside libraries stay in their rooms."""

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[1] / "digitize"

# The order of design, section 2, from the bottom up: a file imports only files that stand before it here. Files that
# are not written yet may stand here already; a file that does not stand here fails the test.
ORDER = (
    *("__init__",),
    *("model.__init__", "model.errors", "model.units", "model.segment", "model.camera", "model.sheet"),
    *("model.outline", "model.pattern"),
    *("vision.__init__", "vision.photo", "vision.step", "vision.gridpoint", "vision.checkerboard"),
    *("vision.projection", "vision.lensprior", "vision.polyline", "vision.saliency", "vision.colours"),
    *("vision.relabel", "vision.evidence", "vision.advice", "vision.combine", "vision.layout", "vision.solve"),
    *("vision.agreement", "vision.view", "vision.paper", "vision.mask", "vision.thickness", "vision.edge"),
    *("vision.follow", "vision.quality", "vision.budget", "vision.calibrate", "vision.figure"),
    *("vision.lensfield", "vision.mottle", "vision.lens", "vision.views", "vision.tips", "vision.locate"),
    *("vision.tipshape", "vision.tiplight", "vision.tipend"),
    *("vision.easing", "vision.trace", "vision.stroke", "vision.several", "vision.decode"),
    *("fitting.primitives", "fitting.spline", "fitting.corners", "fitting.split", "fitting.runs", "fitting.pieces"),
    *("fitting.adjust", "fitting.biarc", "fitting.joints", "fitting.quality", "fitting.fallback"),
    *("fitting.review", "fitting.tips", "fitting.repair", "fitting.chain", "fitting.__init__"),
    *("meaning.__init__", "meaning.regular", "meaning.relation", "meaning.symmetry", "meaning.measured"),
    *("meaning.openings", "meaning.meanings", "meaning.asmeant", "meaning.pattern"),
    *("shop.cutter", "shop.depth", "shop.__init__", "shop.samples", "shop.clearance", "shop.fibre"),
    *("shop.reach", "shop.corners", "shop.offset", "shop.roughcut", "shop.strength", "shop.fragile"),
    *("shop.grain", "shop.ways", "shop.feed", "shop.cautions", "shop.plan", "shop.told"),
    *("compare.__init__", "compare.combine", "compare.nearest", "compare.verdict", "compare.stations"),
    *("compare.placement", "compare.register", "compare.deviation", "compare.influence", "compare.size"),
    *("compare.compare", "compare.report", "compare.shape"),
    *("rebuild.__init__", "rebuild.affine", "rebuild.path", "rebuild.bridge", "rebuild.match"),
    *("rebuild.contact", "rebuild.ends", "rebuild.assemble", "rebuild.heal", "rebuild.mirror", "rebuild.record"),
    *("rebuild.resize", "rebuild.settle", "rebuild.joints", "rebuild.fragments", "rebuild.joining"),
    *("rebuild.shrinkage",),
    *("editing.__init__", "editing.following", "editing.fair", "editing.drawn", "editing.measured"),
    *("editing.replaced", "editing.joints", "editing.stretches"),
    *("formats.drawing", "formats.svg", "formats.png", "formats.lens_page", "formats.loops"),
    *("formats.dxf_curves", "formats.dxf_read", "formats.dxf", "formats.paper", "formats.pdf"),
    *("formats.compare_page", "formats.plan_picture", "formats.textlines", "formats.plan_page"),
    *("formats.tiling", "formats.words", "formats.invented", "formats.fullsize", "formats.picture"),
    *("formats.__init__", "formats.rebuild_page"),
    *("files",),
    *("catalogue.__init__", "catalogue.names", "catalogue.folder", "catalogue.index", "catalogue.find"),
    *("catalogue.told",),
    *("pipeline", "draft", "summary"),
    *("commands.__init__", "commands.options", "commands.sheet", "commands.trace", "commands.export"),
    *("commands.lens", "commands.plan", "commands.rack", "commands.rebuilding", "commands.heal"),
    *("commands.mirror", "commands.resize", "commands.shrinkage", "commands.shelf", "commands.keep"),
    *("commands.show", "commands.reading", "commands.compare", "commands.join", "commands.find"),
    *(
        "web.__init__",
        "web.words",
        "web.forms",
        "web.guard",
        "web.desk",
        "web.edits",
        "web.jobs",
        "web.tiles",
        "web.lines",
    ),
    *("web.scenes", "web.actions", "web.rebuilding", "web.app"),
    *("commands.web",),
    *("cli", "__main__"),
)

ROOMS = {  # outside library -> the files that may import it
    "cv2": ("vision.",),
    "skimage": ("vision.",),
    "ezdxf": ("formats.dxf",),
    "matplotlib": ("formats.",),
    "pillow_heif": ("files",),
    "typer": ("cli", "commands."),
    "rich": ("commands.",),
    "starlette": ("web.",),
    "uvicorn": ("commands.web",),
    "segno": ("commands.web",),
}
DISK = {"open", "write_text", "write_bytes", "read_text", "read_bytes", "unlink", "mkdir", "rename", "touch", "rmdir"}


def files() -> list[tuple[str, ast.Module]]:
    paths = sorted(PACKAGE.rglob("*.py"))
    names = [".".join(p.relative_to(PACKAGE).with_suffix("").parts) for p in paths]
    return [(name, ast.parse(path.read_text(encoding="utf-8"))) for name, path in zip(names, paths, strict=True)]


def imports(tree: ast.AST) -> Iterator[str]:
    """Full names of all modules and members that a file imports, wherever the import stands."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "imports are written in full"
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def room(name: str) -> str:
    """The file of ours that a full name lives in, as ORDER writes it."""
    parts = name.split(".")[1:]
    while parts:
        for candidate in (".".join(parts), ".".join([*parts, "__init__"])):
            if candidate in ORDER:
                return candidate
        parts.pop()
    return "__init__"


def upward(name: str, tree: ast.AST) -> list[str]:
    ours = [n for n in imports(tree) if n.split(".")[0] == "digitize"]
    return [n for n in ours if ORDER.index(room(n)) >= ORDER.index(name)]


every_file = pytest.mark.parametrize(("name", "tree"), files(), ids=[name for name, _ in files()])


@every_file
def test_no_file_imports_upward(name: str, tree: ast.Module) -> None:
    assert name in ORDER, f"{name} has no place in the order yet"
    assert upward(name, tree) == []


@every_file
def test_imports_stand_at_the_top_of_the_file(name: str, tree: ast.Module) -> None:
    inner = [
        n for n in ast.walk(tree) if isinstance(n, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef | ast.Lambda)
    ]
    assert [found for node in inner for found in imports(node)] == []


@every_file
def test_outside_libraries_stay_in_their_rooms(name: str, tree: ast.Module) -> None:
    for library in {n.split(".")[0] for n in imports(tree)} & set(ROOMS):
        assert name.startswith(ROOMS[library]), f"{name} may not use {library}"


@every_file
def test_only_files_and_the_catalogue_touch_the_disk(name: str, tree: ast.Module) -> None:
    if name in ("files", "catalogue.folder", "catalogue.index"):
        return
    called = [node.func for node in ast.walk(tree) if isinstance(node, ast.Call)]
    names = {f.id if isinstance(f, ast.Name) else f.attr for f in called if isinstance(f, ast.Name | ast.Attribute)}
    assert names & DISK == set()
    assert not {n.split(".")[0] for n in imports(tree)} & {"tempfile", "shutil", "sqlite3"}


def test_the_checks_notice_what_they_look_for() -> None:
    tree = ast.parse("from digitize.pipeline import trace\nimport digitize.formats.dxf\nfrom digitize import files")
    assert upward("vision.edge", tree) == ["digitize.pipeline.trace", "digitize.formats.dxf", "digitize.files"]
    assert upward("cli", tree) == []
    assert upward("files", ast.parse("import digitize.files")) == ["digitize.files"]
