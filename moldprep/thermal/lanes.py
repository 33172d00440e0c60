"""Sixteen numbers at once, for the loops over runs of cells.

Left to itself the compiler makes the same machine code of a loop over single cells, but has it ask
before each run whether any of the arrays overlap, and that takes longer than the cells of a short
run. Numbers beside lanes count for each of them.
"""

import operator
from collections.abc import Callable
from typing import Any, Final

from llvmlite import ir
from numba import types
from numba.core import cgutils
from numba.extending import intrinsic, models, overload, register_model

N_LANES: Final = 16
"""A line of memory."""

FLOAT, INT, LONG = ir.FloatType(), ir.IntType(32), ir.IntType(64)
VECTOR, PLACES, FLAGS = (ir.VectorType(of, N_LANES) for of in (FLOAT, INT, ir.IntType(1)))


class LanesType(types.Type):  # type: ignore[misc]
    """Sixteen float32, as numba knows them."""

    def __init__(self) -> None:
        super().__init__(name="Lanes")


LANES: Final = LanesType()


@register_model(LanesType)
class LanesModel(models.PrimitiveModel):  # type: ignore[misc]
    """A vector of the machine, or as many of them as it takes."""

    def __init__(self, manager: Any, kind: Any) -> None:
        super().__init__(manager, kind, VECTOR)


@intrinsic
def load(_: Any, array: Any, place: Any) -> Any:
    """Return the lanes of a flat array from a place on."""

    def code(context: Any, builder: Any, signature: Any, given: Any) -> Any:
        return builder.load(_lanes_at(context, builder, signature, given), align=4)

    return LANES(array, place), code


@intrinsic
def store(_: Any, array: Any, place: Any, lanes: Any, n: Any) -> Any:
    """Set a flat array from a place on to the first n lanes."""

    def code(context: Any, builder: Any, signature: Any, given: Any) -> Any:
        at = _lanes_at(context, builder, signature, given)
        numbers = ir.Constant(PLACES, list(range(N_LANES)))
        end = _spread(builder, builder.trunc(given[3], INT))
        mask = builder.icmp_unsigned("<", numbers, end)
        kind = ir.FunctionType(ir.VoidType(), [VECTOR, at.type, INT, FLAGS])
        call = cgutils.get_or_insert_function(builder.module, kind, "llvm.masked.store.v16f32.p0")
        builder.call(call, [given[2], at, INT(4), mask])
        return context.get_dummy_value()

    return types.void(array, place, lanes, types.uint64), code


@intrinsic
def pairs(_: Any, array: Any, places: Any) -> Any:
    """Return the numbers of a flat array at places, lanes of whole numbers, and those behind each.

    Each pair is called from memory at once; then they are sorted.
    """

    def code(context: Any, builder: Any, signature: Any, given: Any) -> Any:
        data = _data(context, builder, signature, given)
        two = ir.VectorType(FLOAT, 2).as_pointer()
        whole = builder.fptosi(given[1], PLACES)
        found = []
        for n in range(N_LANES):
            place = builder.zext(builder.extract_element(whole, INT(n)), LONG)
            found.append(builder.load(builder.bitcast(builder.gep(data, [place]), two), align=4))
        while len(found) > 1:
            order = range(2 * found[0].type.count)
            halves = zip(found[::2], found[1::2], strict=True)
            found = [_shuffled(builder, a, b, order) for a, b in halves]
        ends = (range(of, 2 * N_LANES, 2) for of in (0, 1))
        both = [_shuffled(builder, found[0], found[0], end) for end in ends]
        return context.make_tuple(builder, signature.return_type, both)

    return types.UniTuple(LANES, 2)(array, places), code


@intrinsic
def whole(_: Any, lanes: Any) -> Any:
    """Return lanes without what is behind the point."""

    def code(_: Any, builder: Any, __: Any, given: Any) -> Any:
        return builder.sitofp(builder.fptosi(given[0], PLACES), VECTOR)

    return LANES(lanes), code


def _data(context: Any, builder: Any, signature: Any, given: Any) -> Any:
    """Return where the numbers of the first argument begin, an array."""
    return context.make_array(signature.args[0])(context, builder, given[0]).data


def _lanes_at(context: Any, builder: Any, signature: Any, given: Any) -> Any:
    """Return where the lanes are that an array and a place stand for."""
    at = builder.gep(_data(context, builder, signature, given), [given[1]])
    return builder.bitcast(at, VECTOR.as_pointer())


def _shuffled(builder: Any, a: Any, b: Any, order: range) -> Any:
    """Return some of the numbers of two vectors one after the other."""
    return builder.shuffle_vector(a, b, ir.Constant(ir.VectorType(INT, len(order)), list(order)))


def _spread(builder: Any, value: Any) -> Any:
    """Return one number in every lane."""
    nothing = ir.Constant(ir.VectorType(value.type, N_LANES), ir.Undefined)
    first = builder.insert_element(nothing, value, INT(0))
    return builder.shuffle_vector(first, nothing, ir.Constant(PLACES, [0] * N_LANES))


def _by_lane(operation: Callable[[Any, Any, Any], Any]) -> Any:
    """Return what stands for an operation on vectors where one side at least is lanes."""

    @intrinsic
    def work(_: Any, a: Any, b: Any) -> Any:
        def code(_: Any, builder: Any, signature: Any, given: Any) -> Any:
            both = [
                value if kind == LANES else _spread(builder, value)
                for kind, value in zip(signature.args, given, strict=True)
            ]
            return operation(builder, *both)

        return LANES(*(kind if kind == LANES else types.float32 for kind in (a, b))), code

    def pick(a, b):  # type: ignore[no-untyped-def]  # noqa: ANN001, ANN202
        return (lambda a, b: work(a, b)) if LANES in (a, b) else None

    return pick


def _larger(builder: Any, a: Any, b: Any) -> Any:
    return builder.select(builder.fcmp_ordered(">", a, b), a, b)


def _smaller(builder: Any, a: Any, b: Any) -> Any:
    return builder.select(builder.fcmp_ordered("<", a, b), a, b)


overload(operator.add)(_by_lane(ir.IRBuilder.fadd))
overload(operator.sub)(_by_lane(ir.IRBuilder.fsub))
overload(operator.mul)(_by_lane(ir.IRBuilder.fmul))
overload(max)(_by_lane(_larger))
overload(min)(_by_lane(_smaller))
