"""Changes to a module, one at a time: the operators of mutmut, and two more for what measurement code gets wrong.

mutmut's own runner passes over what stands outside functions and over decorated functions, which is half of this code;
so its operators are laid on every node of a module's tree. Left out is what is no behaviour: annotations, decorators,
imports, assertions for the type checker, `strict=True` of a zip, and the words of an exception.
"""

import difflib
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import libcst as cst
from libcst.metadata import MetadataWrapper, PositionProvider, WhitespaceInclusivePositionProvider
from mutmut.mutation import mutators

_SILENT = (cst.Annotation, cst.Decorator, cst.Import, cst.ImportFrom, cst.Assert)
_GENERIC = frozenset({"tuple", "dict", "list", "set", "frozenset", "Mapping", "Sequence", "Callable", "NDArray"})
_OTHER = {"min": "max", "max": "min"}


def term_dropped(node: cst.BinaryOperation) -> Iterator[cst.BaseExpression]:
    """a ± b and a·b, a/b become a: a contribution or a factor that was forgotten."""
    if isinstance(node.operator, cst.Add | cst.Subtract | cst.Multiply | cst.Divide):
        yield node.left.with_changes(lpar=[*node.lpar, *node.left.lpar], rpar=[*node.left.rpar, *node.rpar])


def call_changed(node: cst.Call) -> Iterator[cst.BaseExpression]:
    """abs(x) becomes x; min and max change places."""
    if isinstance(node.func, cst.Name) and node.func.value == "abs":
        yield node.args[0].value.with_changes(lpar=[cst.LeftParen()], rpar=[cst.RightParen()])
    elif isinstance(node.func, cst.Name) and node.func.value in _OTHER:
        yield node.with_changes(func=cst.Name(_OTHER[node.func.value]))


KINDS: dict[str, str] = {
    "operator_number": "number",
    "operator_string": "string",
    "operator_name": "constant",
    "operator_assignment": "assignment",
    "operator_augmented_assignment": "assignment",
    "operator_remove_unary_ops": "logic",
    "operator_dict_arguments": "argument",
    "operator_arg_removal": "argument",
    "operator_symmetric_string_methods_swap": "string",
    "operator_unsymmetrical_string_methods_swap": "string",
    "operator_lambda": "constant",
    "operator_keywords": "logic",
    "operator_swap_op": "operator",
    "operator_match": "logic",
    "operator_if_exp": "logic",
    "term_dropped": "term dropped",
    "call_changed": "abs, min, max",
}
"""What the table calls an operator, by its name."""

_OPERATORS: tuple[tuple[type, Callable[..., Iterable[cst.CSTNode]]], ...] = (
    *mutators.mutation_operators,
    (cst.BinaryOperation, term_dropped),
    (cst.Call, call_changed),
)


@dataclass(frozen=True, slots=True)
class Site:
    """A place and what may stand there instead: from `start` to `end`, each a line from 1 and a column from 0.

    `lines` are those whose execution reaches it; `inside` says that it lies in the body of a function, so that it needs
    no new import of the module.
    """

    start: tuple[int, int]
    end: tuple[int, int]
    instead: cst.CSTNode
    kind: str
    lines: frozenset[int]
    inside: bool


@dataclass(frozen=True, slots=True)
class Mutant:
    """A changed module: its file in the checkout, the changed lines before and after, and its whole `source`."""

    file: str
    kind: str
    line: int
    lines: frozenset[int]
    inside: bool
    before: str
    after: str
    source: str

    @property
    def module(self) -> str:
        return self.file.removesuffix(".py").replace("/", ".")

    @property
    def key(self) -> tuple[str, str, str]:
        """What tells a mutant from others whatever its line."""
        return self.file, self.before, self.after


class Module:
    """A module's tree and all that may be changed in it."""

    def __init__(self, root: Path, file: str) -> None:
        self.file = file
        self._source = (root / file).read_text()
        wrapper = MetadataWrapper(cst.parse_module(self._source))
        finder = _Finder()
        wrapper.visit(finder)
        self._tree, self.sites = wrapper.module, finder.sites

    def mutant(self, site: Site) -> Mutant:
        """The module with one change."""
        (first, left), (last, right) = site.start, site.end
        lines = self._source.splitlines(keepends=True)
        middle = lines[first - 1][:left] + self._tree.code_for_node(site.instead) + lines[last - 1][right:]
        source = "".join([*lines[: first - 1], middle, *lines[last:]])
        before, after = _changed_lines(self._source, source)
        return Mutant(self.file, site.kind, min(site.lines), site.lines, site.inside, before, after, source)


class _Finder(cst.CSTVisitor):
    METADATA_DEPENDENCIES = (PositionProvider, WhitespaceInclusivePositionProvider)

    def __init__(self) -> None:
        super().__init__()
        self.sites: list[Site] = []
        self._parents: list[cst.CSTNode] = []

    def on_visit(self, node: cst.CSTNode) -> bool:
        if (
            isinstance(node, _SILENT)
            or _is_strict(node)
            or _is_type(node)
            or (isinstance(node, cst.Raise) and _is_call(node.exc))
        ):
            return False
        for kind, operator in _OPERATORS:
            if isinstance(node, kind):
                self._add(node, operator)
        self._parents.append(node)
        return True

    def on_leave(self, original_node: cst.CSTNode) -> None:
        if self._parents and self._parents[-1] is original_node:
            self._parents.pop()

    def _add(self, node: cst.CSTNode, operator: Callable[..., Iterable[cst.CSTNode]]) -> None:
        lines, inside = self._lines(node), self._inside(node)
        place = self.get_metadata(WhitespaceInclusivePositionProvider, node)
        start, end = ((at.line, at.column) for at in (place.start, place.end))  # with parentheses
        for instead in operator(node):
            if _lets_lengths_differ(instead):
                continue
            self.sites.append(Site(start, end, instead, KINDS[operator.__name__], lines, inside))

    def _lines(self, node: cst.CSTNode) -> frozenset[int]:
        statement = next((p for p in reversed(self._parents) if isinstance(p, cst.SimpleStatementLine)), node)
        return self._span(node) | self._span(statement)

    def _span(self, node: cst.CSTNode) -> frozenset[int]:
        place = self.get_metadata(PositionProvider, node)
        return frozenset(range(place.start.line, place.end.line + 1))

    def _inside(self, node: cst.CSTNode) -> bool:
        chain = [*self._parents, node]
        return any(isinstance(up, cst.FunctionDef) and down is up.body for up, down in pairwise(chain))


def _lets_lengths_differ(instead: cst.CSTNode) -> bool:
    """A zip without `strict=True`, which guards against mistakes of ours and never counts otherwise."""
    if not (isinstance(instead, cst.Call) and isinstance(instead.func, cst.Name) and instead.func.value == "zip"):
        return False
    return not any(a.keyword and a.keyword.value == "strict" and _is_true(a.value) for a in instead.args)


def _is_true(node: cst.BaseExpression) -> bool:
    return isinstance(node, cst.Name) and node.value == "True"


def _is_strict(node: cst.CSTNode) -> bool:
    return isinstance(node, cst.Arg) and node.keyword is not None and node.keyword.value == "strict"


def _is_type(node: cst.CSTNode) -> bool:
    """An alias such as tuple[A, B | None], and a constant that is one."""
    if isinstance(node, cst.Assign):
        return _is_type(node.value)
    return isinstance(node, cst.Subscript) and isinstance(node.value, cst.Name) and node.value.value in _GENERIC


def _is_call(node: cst.BaseExpression | None) -> bool:
    return isinstance(node, cst.Call)


def _changed_lines(before: str, after: str) -> tuple[str, str]:
    old, new = before.splitlines(), after.splitlines()
    changes = [c for c in difflib.SequenceMatcher(None, old, new, autojunk=False).get_opcodes() if c[0] != "equal"]
    return tuple(  # type: ignore[return-value]
        " ".join(line.strip() for _, *bounds in changes for line in lines[slice(*bounds[k : k + 2])])
        for lines, k in ((old, 0), (new, 2))
    )
