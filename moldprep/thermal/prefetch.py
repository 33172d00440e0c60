"""Calling memory into the cache before it is needed, which numba has no word for."""

from typing import Any

from llvmlite import ir
from numba import types
from numba.extending import intrinsic

READ, SECOND_CACHE, DATA = 0, 2, 1


@intrinsic
def fetch(_: Any, array: Any, place: Any) -> Any:
    """Call the line of memory around a place of a flat array into the second cache."""

    def code(context: Any, builder: Any, signature: Any, given: Any) -> Any:
        data = context.make_array(signature.args[0])(context, builder, given[0]).data
        at = builder.bitcast(builder.gep(data, [given[1]]), ir.IntType(8).as_pointer())
        number = ir.IntType(32)
        call = builder.module.declare_intrinsic(
            "llvm.prefetch",
            [at.type],
            ir.FunctionType(ir.VoidType(), [at.type, number, number, number]),
        )
        builder.call(call, [at, number(READ), number(SECOND_CACHE), number(DATA)])
        return context.get_dummy_value()

    return types.void(array, place), code
