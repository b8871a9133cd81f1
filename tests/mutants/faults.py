"""The small faults that are planted: where, which, and a seeded sample of them.

Operators come from mutmut, where it has them. Ours are added for limits (0.05 to 0.06), formatting,
words (more for less, start for end, text within f-strings), slices, min for max, left-out keyword
arguments and return values. What nearly any test would notice (None for an argument or for an
assigned value, another column name) is left out: it would raise the share for nothing.
"""

from __future__ import annotations

import difflib
import hashlib
import re
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import libcst as cst
import libcst.matchers as m
from libcst.metadata import MetadataWrapper, PositionProvider
from mutmut.mutation import mutators

AREAS = {
    "cohort": ("outcomes/cohort/*.py", "outcomes/domain/*.py"),
    "rates": ("outcomes/mixed/*.py", "outcomes/rates/*.py", "outcomes/clinical/*.py"),
    "overcorrect": ("outcomes/overcorrect/*.py",),
    "words": (
        "outcomes/words/*.py",
        "outcomes/reports/common/*.py",
        "outcomes/reports/audit/words/*.py",
        "outcomes/reports/series/words/*.py",
        "outcomes/reports/depth/words.py",
        "outcomes/reports/overcorrection/words.py",
    ),
}

# Each pair is exchanged, the first that a text holds.
WORDS = (
    ("more", "less"),
    ("above", "below"),
    ("at least", "at most"),
    ("larger", "smaller"),
    ("higher", "lower"),
    ("fewer", "more"),
    ("start", "end"),
    ("before", "after"),
    ("first", "last"),
    ("planned", "achieved"),
    ("with", "without"),
    ("low", "high"),
    ("left", "right"),
    ("upper", "lower"),
    ("patients", "teeth"),
    ("mm", "°"),
    ("and", "or"),
    ("not ", ""),
    ("no ", ""),
)
CALLS = {
    "min": "max",
    "max": "min",
    "minimum": "maximum",
    "maximum": "minimum",
    "any": "all",
    "all": "any",
    "floor": "ceil",
    "ceil": "floor",
    "idxmin": "idxmax",
    "idxmax": "idxmin",
    "head": "tail",
    "tail": "head",
    "first": "last",
    "last": "first",
    "lt": "le",
    "le": "lt",
    "gt": "ge",
    "ge": "gt",
    "notna": "isna",
    "isna": "notna",
    "union": "intersection",
    "intersection": "union",
    "median": "mean",
    "issubset": "issuperset",
    "startswith": "endswith",
    "endswith": "startswith",
}
# A fault in these keyword arguments changes nothing that a right call could show.
SILENT_KEYWORDS = {"strict", "encoding", "copy", "stacklevel"}


def number(node: cst.Integer | cst.Float) -> Iterator[cst.CSTNode]:
    """0.05 becomes 0.06, 2.5 becomes 2.6; whole numbers as mutmut: 5 becomes 6."""
    text = node.value
    if isinstance(node, cst.Float) and (found := re.fullmatch(r"(\d*)\.(\d+)", text)):
        digits = len(found[2])
        yield node.with_changes(value=f"{float(text) + 10.0**-digits:.{digits}f}")
    elif isinstance(node, cst.Float):
        yield node.with_changes(value=repr(float(text) * 2))
    else:
        yield from mutators.operator_number(node)


def other_words(text: str) -> Iterator[str]:
    for one, other in WORDS:
        for old, new in ((one, other), (other, one)):
            if old.strip() and (found := re.search(rf"\b{re.escape(old)}(?!\w)", text)):
                yield text[: found.start()] + new + text[found.end() :]
                return
    if re.search(r"\w", text):
        yield f"XX{text}"


def string(node: cst.SimpleString) -> Iterator[cst.CSTNode]:
    quote = node.quote
    if len(quote) == 1 and (inner := node.raw_value):
        for new in other_words(inner):
            yield node.with_changes(value=f"{node.prefix}{quote}{new}{quote}")
        yield from list(mutators.operator_string(node))[:1]


def text_of_format(node: cst.FormattedStringText) -> Iterator[cst.CSTNode]:
    for new in other_words(node.value):
        yield node.with_changes(value=new)


def digits(node: cst.FormattedStringText) -> Iterator[cst.CSTNode]:
    """The format {x:.1f} becomes {x:.2f}."""
    if found := re.search(r"\.(\d)", node.value):
        new = node.value[: found.start(1)] + str(int(found[1]) + 1) + node.value[found.end(1) :]
        yield node.with_changes(value=new)


def call(node: cst.Call) -> Iterator[cst.CSTNode]:
    func = node.func
    if isinstance(func, cst.Name) and func.value in CALLS:
        yield node.with_changes(func=func.with_changes(value=CALLS[func.value]))
    if isinstance(func, cst.Attribute) and func.attr.value in CALLS:
        attr = func.attr.with_changes(value=CALLS[func.attr.value])
        yield node.with_changes(func=func.with_changes(attr=attr))
    yield from mutators.operator_symmetric_string_methods_swap(node)
    yield from mutators.operator_unsymmetrical_string_methods_swap(node)


def keyword(node: cst.Call) -> Iterator[cst.CSTNode]:
    """Leave out one keyword argument of a call."""
    for at, arg in enumerate(node.args):
        if arg.keyword is not None and arg.keyword.value not in SILENT_KEYWORDS:
            yield node.with_changes(args=[*node.args[:at], *node.args[at + 1 :]])


def slices(node: cst.Slice) -> Iterator[cst.CSTNode]:
    if node.lower is not None:
        yield node.with_changes(lower=None)
    if node.upper is not None:
        yield node.with_changes(upper=None)


def returned(node: cst.Return) -> Iterator[cst.CSTNode]:
    if node.value is not None and not m.matches(node.value, m.Name("None")):
        yield node.with_changes(
            value=cst.Name("None"), whitespace_after_return=cst.SimpleWhitespace(" ")
        )


def negated(node: cst.If) -> Iterator[cst.CSTNode]:
    """The condition of an if, where it is no comparison (those have faults of their own)."""
    if isinstance(node.test, cst.Name | cst.Attribute | cst.Call | cst.Subscript):
        yield node.with_changes(
            test=cst.UnaryOperation(operator=cst.Not(), expression=node.test),
            whitespace_before_test=cst.SimpleWhitespace(" "),
        )


OPERATORS = (
    ("number", cst.Integer, number),
    ("number", cst.Float, number),
    ("text", cst.SimpleString, string),
    ("text", cst.FormattedStringText, text_of_format),
    ("name", cst.Name, mutators.operator_name),
    ("not", cst.UnaryOperation, mutators.operator_remove_unary_ops),
    ("operator", cst.CSTNode, mutators.operator_swap_op),
    ("keyword", cst.CSTNode, mutators.operator_keywords),
    ("branch", cst.IfExp, mutators.operator_if_exp),
    ("branch", cst.If, negated),
    ("call", cst.Call, call),
    ("argument", cst.Call, keyword),
    ("slice", cst.Slice, slices),
    ("return", cst.Return, returned),
)


@dataclass(frozen=True)
class Fault:
    """One place in a file and what is written there instead."""

    area: str
    file: str
    function: str  # qualified name; "" in the body of the module
    kind: str
    order: str  # place in the seeded order: a hash, the same whatever stands above in the file
    lines: tuple[int, int]  # of the statement, without the body of a compound one
    before: str
    after: str
    source: str  # the whole file with the fault

    @property
    def key(self) -> tuple[str, str, str, str]:
        return self.file, self.function, self.before, self.after


@dataclass(frozen=True)
class Site:
    area: str
    file: str
    function: str
    kind: str
    order: str
    lines: tuple[int, int]
    node: cst.CSTNode
    new: cst.CSTNode


class Finder(cst.CSTVisitor):
    """Every node that can be changed, with the function and statement it stands in."""

    METADATA_DEPENDENCIES = (PositionProvider,)

    def __init__(self) -> None:
        super().__init__()
        self.names: list[str] = []
        self.statements: list[tuple[int, int]] = []
        self.found: list[tuple[str, tuple[int, int], cst.CSTNode, str, list[cst.CSTNode]]] = []
        self.in_format = 0

    def on_visit(self, node: cst.CSTNode) -> bool:
        if isinstance(node, cst.FunctionDef | cst.ClassDef):
            self.names.append(node.name.value)
        if isinstance(node, cst.SimpleStatementLine | cst.BaseCompoundStatement):
            self.statements.append(self.lines_of(node))
        if isinstance(node, cst.FormattedStringExpression) and node.format_spec:
            self.in_format += 1
            for part in node.format_spec:
                if isinstance(part, cst.FormattedStringText):
                    self.note(part, "format", list(digits(part)))
        if passed_over(node):
            return False
        for kind, type_, operator in OPERATORS:
            if isinstance(node, type_) and not (
                self.in_format and isinstance(node, cst.FormattedStringText)
            ):
                self.note(node, kind, list(operator(node)))
        return True

    def lines_of(self, node: cst.CSTNode) -> tuple[int, int]:
        place = self.get_metadata(PositionProvider, node)
        body = getattr(node, "body", None)
        if not isinstance(body, cst.IndentedBlock):
            return place.start.line, place.end.line
        first = self.get_metadata(PositionProvider, body.body[0]).start.line
        return place.start.line, max(place.start.line, first - 1)

    def note(self, node: cst.CSTNode, kind: str, new: list[cst.CSTNode]) -> None:
        if new and self.statements:
            self.found.append((".".join(self.names), self.statements[-1], node, kind, new))

    def on_leave(self, original_node: cst.CSTNode) -> None:
        if isinstance(original_node, cst.FunctionDef | cst.ClassDef):
            self.names.pop()
        if isinstance(original_node, cst.SimpleStatementLine | cst.BaseCompoundStatement):
            self.statements.pop()
        if isinstance(original_node, cst.FormattedStringExpression) and original_node.format_spec:
            self.in_format -= 1


def passed_over(node: cst.CSTNode) -> bool:
    """Docstrings, annotations, imports and the like: nothing in them does anything."""
    if isinstance(node, cst.Annotation | cst.Import | cst.ImportFrom | cst.Decorator):
        return True
    if isinstance(node, cst.Expr):
        return isinstance(node.value, cst.SimpleString | cst.ConcatenatedString)
    if isinstance(node, cst.Arg):
        return node.keyword is not None and node.keyword.value in SILENT_KEYWORDS
    if isinstance(node, cst.Assign):
        return m.matches(node.targets[0].target, m.Name("__all__"))
    if isinstance(node, cst.If):
        return m.matches(node.test, m.Name("TYPE_CHECKING"))
    return isinstance(node, cst.SubscriptElement) and is_label(node)


def is_label(node: cst.SubscriptElement) -> bool:
    """A column name in brackets: another name is an error that any test meets."""
    return m.matches(node, m.SubscriptElement(slice=m.Index(value=m.SimpleString()))) or m.matches(
        node,
        m.SubscriptElement(
            slice=m.Index(value=m.List(elements=[m.ZeroOrMore(m.Element(m.SimpleString()))]))
        ),
    )


def rank(*parts: object) -> str:
    return hashlib.sha256("\x1f".join(map(str, parts)).encode()).hexdigest()


@cache
def parsed(path: Path) -> tuple[cst.Module, Finder]:
    wrapper = MetadataWrapper(cst.parse_module(path.read_text(encoding="utf-8")))
    finder = Finder()
    wrapper.visit(finder)
    return wrapper.module, finder


def sites(root: Path, area: str, file: str, seed: int) -> Iterator[Site]:
    """One change for each place of a file; which one, the seed decides."""
    module, finder = parsed(root / file)
    lines = (root / file).read_text(encoding="utf-8").splitlines()
    times: Counter[tuple[str, ...]] = Counter()
    for function, (start, end), node, kind, choices in finder.found:
        statement = " ".join(line.strip() for line in lines[start - 1 : end])
        key = (function, statement, kind, module.code_for_node(node))
        times[key] += 1
        where = rank(seed, file, *key, times[key])
        new = choices[int(rank(where, "which"), 16) % len(choices)]
        yield Site(area, file, function, kind, where, (start, end), node, new)


def as_fault(root: Path, site: Site) -> Fault | None:
    module, _ = parsed(root / site.file)
    changed = module.deep_replace(site.node, site.new)
    assert isinstance(changed, cst.Module)
    if changed.code == module.code:
        return None
    try:
        compile(changed.code, site.file, "exec")
    except SyntaxError:
        return None
    old, new = module.code.splitlines(), changed.code.splitlines()
    before: list[str] = []
    after: list[str] = []
    matcher = difflib.SequenceMatcher(None, old, new, autojunk=False)
    for tag, a, b, c, d in matcher.get_opcodes():
        if tag != "equal":
            before += [line.strip() for line in old[a:b]]
            after += [line.strip() for line in new[c:d]]
    return Fault(
        site.area,
        site.file,
        site.function,
        site.kind,
        site.order,
        site.lines,
        "\n".join(before),
        "\n".join(after),
        changed.code,
    )


def files(root: Path, area: str) -> list[str]:
    found = {path for pattern in AREAS[area] for path in root.glob(pattern)}
    return sorted(str(path.relative_to(root)) for path in found if path.name != "__init__.py")


def sample(
    root: Path, areas: Iterable[str], count: int, seed: int, only: Iterable[str] = ()
) -> dict[str, tuple[int, list[Fault]]]:
    """Per area: the places there are, and a sample of the faults, the same share of each area.

    Each place has a hash of what stands there (not of its line) as its rank, so a change elsewhere
    leaves the sample as it was.
    """
    areas, only = list(areas), tuple(only)
    taken = {}
    for at, area in enumerate(areas):
        wanted = count // len(areas) + (at < count % len(areas))
        places = [
            site
            for file in files(root, area)
            if not only or any(part in file for part in only)
            for site in sites(root, area, file, seed)
        ]
        chosen: list[Fault] = []
        for site in sorted(places, key=lambda one: one.order):
            if len(chosen) == wanted:
                break
            if (fault := as_fault(root, site)) is not None:
                chosen.append(fault)
        taken[area] = (len(places), chosen)
    return taken
