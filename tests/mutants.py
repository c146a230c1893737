"""Small faults put into code, one at a time: what the tests of a folder are measured by.

A mutant changes one operator, number, condition or statement inside a function. Text, annotations,
defaults of arguments and blocks of settings are left alone. A mutant is put in place by giving the
live function another code object, so that nothing needs to be imported again.
"""

import ast
import copy
import gc
from collections.abc import Iterator
from pathlib import Path
from types import CodeType, FunctionType
from typing import Any, NamedTuple

ARITHMETIC = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.Pow: ast.Mult,
    ast.FloorDiv: ast.Mult, ast.Mod: ast.Mult, ast.MatMult: ast.Add, ast.BitAnd: ast.BitOr,
    ast.BitOr: ast.BitAnd, ast.LShift: ast.RShift, ast.RShift: ast.LShift,
}  # fmt: skip
COMPARED = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq, ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In,
}  # fmt: skip
REVERSED = {ast.Lt: ast.GtE, ast.LtE: ast.Gt, ast.Gt: ast.LtE, ast.GtE: ast.Lt}
NAMES = {
    "min": "max", "max": "min", "minimum": "maximum", "maximum": "minimum", "sin": "cos",
    "cos": "sin", "any": "all", "all": "any", "floor": "ceil", "ceil": "floor",
    "argmin": "argmax", "argmax": "argmin", "nanmin": "nanmax", "nanmax": "nanmin",
    "zeros": "ones", "ones": "zeros",
}  # fmt: skip


class Mutant(NamedTuple):
    """One fault: in which function of which file, at which node, and what is done there."""

    file: str
    function: str
    """Outermost function, as `co_qualname` names it."""
    first_line: int
    """Of that function, its decorators included."""
    line: int
    statement: int
    """Line on which the statement begins that it is in."""
    node: int
    """Number of the node in a walk of the module."""
    change: str
    folder: str = ""
    """As it was asked for."""

    @property
    def name(self) -> str:
        """What identifies it as long as its file stays the same."""
        return f"{self.file}:{self.line}:{self.node}:{self.change}"


def mutants_of(path: Path, root: Path) -> list[Mutant]:
    """Return every mutant of a file, in the order of its lines."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    numbers = {id(node): number for number, node in enumerate(ast.walk(tree))}
    shown = str(path.relative_to(root))
    found = []
    for name, function in _functions(tree, ""):
        if any("kernel" in ast.unparse(d) or "njit" in ast.unparse(d)
               for d in function.decorator_list):  # fmt: skip
            continue
        first = min([function.lineno, *(d.lineno for d in function.decorator_list)])
        for node, statement in _code_of(function.body):
            found += [
                Mutant(shown, name, first, node.lineno, statement, numbers[id(node)], change)
                for change in _changes(node)
            ]
    return sorted(set(found), key=lambda m: (m.line, m.node, m.change))


def shown_change(mutant: Mutant, root: Path) -> str:
    """Return what the mutant does, as code before and after."""
    tree = ast.parse((root / mutant.file).read_text(encoding="utf-8"))
    node = list(ast.walk(tree))[mutant.node]
    return f"{ast.unparse(node)}  ->  {ast.unparse(_changed(node, mutant.change))}"


def live_functions() -> dict[tuple[str, str, int], list[FunctionType]]:
    """Return every function there is, by file, name and first line."""
    found: dict[tuple[str, str, int], list[FunctionType]] = {}
    for live in gc.get_objects():
        if isinstance(live, FunctionType):
            code = live.__code__
            place = code.co_filename, code.co_qualname, code.co_firstlineno
            found.setdefault(place, []).append(live)
    return found


def put_in_place(
    mutant: Mutant, root: Path, live: dict[tuple[str, str, int], list[FunctionType]]
) -> int:
    """Change the live functions; return how many there were of that one."""
    path = root / mutant.file
    tree = ast.parse(path.read_text(encoding="utf-8"))
    target = list(ast.walk(tree))[mutant.node]
    tree = ast.fix_missing_locations(_Replace(target, _changed(target, mutant.change)).visit(tree))
    code = _find(compile(tree, str(path), "exec"), mutant)
    functions = live.get((str(path), mutant.function, mutant.first_line), [])
    for function in functions:
        function.__code__ = code
    return len(functions)


def _functions(tree: ast.AST, prefix: str) -> Iterator[tuple[str, ast.FunctionDef]]:
    for node in ast.iter_child_nodes(tree):
        if isinstance(node, ast.FunctionDef):
            yield prefix + node.name, node
        elif isinstance(node, ast.ClassDef):
            if not any(ast.unparse(b).endswith("Protocol") for b in node.bases):
                yield from _functions(node, f"{prefix}{node.name}.")
        elif isinstance(node, ast.If | ast.Try):
            yield from _functions(node, prefix)


def _code_of(body: list[ast.stmt]) -> Iterator[tuple[Any, int]]:
    """Yield the nodes that may be changed, with the line of their statement."""
    for statement in body:
        yield from _inside(statement, statement.lineno)


def _inside(node: Any, statement: int) -> Iterator[tuple[Any, int]]:
    if isinstance(node, ast.JoinedStr | ast.arguments):
        return
    if isinstance(node, ast.stmt):
        statement = node.lineno
    if isinstance(node, ast.expr | ast.stmt):
        yield node, statement
    if isinstance(node, ast.Raise):
        return
    for name, value in ast.iter_fields(node):
        if name in ("annotation", "returns", "decorator_list") or (
            name == "args" and not isinstance(node, ast.Call)
        ):
            continue
        for below in value if isinstance(value, list) else [value]:
            if isinstance(below, ast.AST):
                yield from _inside(below, statement)


def _changes(node: ast.AST) -> Iterator[str]:
    """Yield what may be done to a node."""
    match node:
        case ast.BinOp(op=op) if type(op) in ARITHMETIC and not _text(node):
            yield "operator"
        case ast.AugAssign(op=op) if type(op) in ARITHMETIC:
            yield "operator"
        case ast.Compare(ops=[op]):
            yield "comparison"
            if type(op) in REVERSED:
                yield "reversed"
        case ast.BoolOp():
            yield "and-or"
        case ast.UnaryOp(op=ast.USub() | ast.Not() | ast.Invert()):
            yield "unary"
        case ast.Constant(value=bool()):
            yield "flipped"
        case ast.Constant(value=int() | float()):
            yield "number"
        case ast.If() | ast.IfExp() | ast.While():
            yield "condition"
        case ast.Name(id=name) if name in NAMES and isinstance(node.ctx, ast.Load):
            yield "name"
        case ast.Attribute(attr=name) if name in NAMES and isinstance(node.ctx, ast.Load):
            yield "name"
        case ast.Raise():
            yield "dropped"
        case ast.Expr(value=ast.Call()) | ast.AugAssign():
            yield "dropped"
        case ast.Return(value=ast.expr()):
            yield "nothing"


def _text(node: ast.AST) -> bool:
    return any(
        isinstance(part, ast.JoinedStr) or isinstance(getattr(part, "value", None), str)
        for part in ast.walk(node)
    )


def _changed(node: Any, change: str) -> ast.AST:
    new = copy.deepcopy(node)
    match change:
        case "operator":
            new.op = ARITHMETIC[type(node.op)]()
        case "comparison":
            new.ops = [COMPARED[type(node.ops[0])]()]
        case "reversed":
            new.ops = [REVERSED[type(node.ops[0])]()]
        case "and-or":
            new.op = ast.Or() if isinstance(node.op, ast.And) else ast.And()
        case "unary":
            return new.operand
        case "flipped":
            new.value = not node.value
        case "number":
            new.value = node.value + 1 if isinstance(node.value, int) else 1.1 * node.value + 0.01
        case "condition":
            new.test = ast.UnaryOp(ast.Not(), new.test)
        case "name":
            name = "attr" if isinstance(node, ast.Attribute) else "id"
            setattr(new, name, NAMES[getattr(node, name)])
        case "dropped":
            return ast.copy_location(ast.Pass(), node)
        case "nothing":
            new.value = ast.Constant(None)
    return new


class _Replace(ast.NodeTransformer):
    def __init__(self, target: ast.AST, new: ast.AST) -> None:
        self.target, self.new = target, ast.copy_location(new, target)

    def visit(self, node: ast.AST) -> ast.AST:
        return self.new if node is self.target else self.generic_visit(node)


def _find(code: CodeType, mutant: Mutant) -> CodeType:
    for constant in code.co_consts:
        if isinstance(constant, CodeType):
            if (constant.co_qualname, constant.co_firstlineno) == (
                mutant.function, mutant.first_line,
            ):  # fmt: skip
                return constant
            if mutant.function.startswith(constant.co_qualname + "."):
                return _find(constant, mutant)
    raise LookupError(mutant.name)
