"""Several numbers that the processor computes with at once, for functions that numba compiles.

A recursive filter cannot go faster along time, but several filters can go side by side. Compilers
rarely find that by themselves; here it is written down. `lanes(a, like)` and the operators ``+``,
``-`` and ``*`` become single vector instructions where the processor has them wide enough, and
several where not. How many lanes there are is told by the length of the tuple `like`.
"""

import operator
from collections.abc import Callable
from typing import Any

from llvmlite import ir
from numba import types
from numba.extending import intrinsic, models, overload, register_model

__all__ = [
    "chained",
    "chosen",
    "even_ones",
    "joined",
    "lanes",
    "larger",
    "load",
    "lower",
    "settled",
    "store",
    "upper",
]


class _Lanes(types.Type):
    """Type of a vector of doubles inside compiled functions."""

    def __init__(self, count: int) -> None:
        super().__init__(name=f"Lanes({count})")
        self.count = count


def _vector(count: int) -> ir.VectorType:
    return ir.VectorType(ir.DoubleType(), count)


@register_model(_Lanes)
class _LanesModel(models.PrimitiveModel):
    """In memory and in registers such a vector is the one of LLVM."""

    def __init__(self, manager: Any, lanes_type: _Lanes) -> None:
        super().__init__(manager, lanes_type, _vector(lanes_type.count))


def _place(context: Any, builder: Any, array_type: Any, array: Any, index: Any, count: int) -> Any:
    """Return the address of an element as that of a vector."""
    if array_type.layout != "C" or array_type.ndim != 1:
        raise TypeError("Lanes are taken from flat contiguous arrays.")
    start = context.make_array(array_type)(context, builder, array).data
    return builder.bitcast(builder.gep(start, [index]), _vector(count).as_pointer())


@intrinsic
def lanes(typing: Any, number: Any, like: Any) -> Any:
    """Same number in every lane."""
    result = _Lanes(len(like))

    def generate(_context: Any, builder: Any, _signature: Any, args: Any) -> Any:
        undefined = ir.Constant(_vector(result.count), ir.Undefined)
        zero = ir.Constant(ir.IntType(32), 0)
        first = builder.insert_element(undefined, args[0], zero)
        everywhere = ir.Constant(ir.VectorType(ir.IntType(32), result.count), None)
        return builder.shuffle_vector(first, undefined, everywhere)

    return result(types.float64, like), generate


@intrinsic
def load(typing: Any, array: Any, index: Any, like: Any) -> Any:
    """Consecutive numbers of a flat contiguous array, from `index` on."""
    result = _Lanes(len(like))

    def generate(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        place = _place(context, builder, signature.args[0], args[0], args[1], result.count)
        return builder.load(place, align=8)

    return result(array, types.intp, like), generate


@intrinsic
def store(typing: Any, array: Any, index: Any, values: Any) -> Any:
    """Write to consecutive places of a flat contiguous array, from `index` on."""

    def generate(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        place = _place(context, builder, signature.args[0], args[0], args[1], values.count)
        builder.store(args[2], place, align=8)
        return context.get_dummy_value()

    return types.void(array, types.intp, values), generate


@intrinsic
def chained(typing: Any, values: Any, number: Any, chain: Any) -> Any:
    """Lanes moved on by one, with a number in the first lane of a chain and in all after it.

    The length of the tuple `chain` is that of the chain.
    """
    order = [values.count, *range(len(chain) - 1), *[values.count] * (values.count - len(chain))]

    def generate(_context: Any, builder: Any, _signature: Any, args: Any) -> Any:
        undefined = ir.Constant(_vector(values.count), ir.Undefined)
        fresh = builder.insert_element(undefined, args[1], ir.Constant(ir.IntType(32), 0))
        mask = ir.Constant(ir.VectorType(ir.IntType(32), values.count), order)
        return builder.shuffle_vector(args[0], fresh, mask)

    return values(values, types.float64, chain), generate


@intrinsic
def chosen(typing: Any, left: Any, right: Any, values: Any, others: Any) -> Any:
    """In every lane the one of `values` if ``left <= right`` there, else that of `others`."""

    def generate(_context: Any, builder: Any, _signature: Any, args: Any) -> Any:
        return builder.select(builder.fcmp_ordered("<=", args[0], args[1]), args[2], args[3])

    return values(left, left, values, values), generate


@intrinsic
def larger(typing: Any, values: Any, others: Any) -> Any:
    """In every lane the larger one."""

    def generate(_context: Any, builder: Any, _signature: Any, args: Any) -> Any:
        # Put like this it is a single instruction.
        return builder.select(builder.fcmp_ordered(">", *args), *args)

    return values(values, values), generate


def _places(places: range) -> Any:
    """Which numbers of two vectors, counted through both, a third one is made of."""
    return ir.Constant(ir.VectorType(ir.IntType(32), len(places)), list(places))


@intrinsic
def even_ones(typing: Any, values: Any, following: Any) -> Any:
    """Every other number of those in two vectors, from the first on."""

    def generate(_context: Any, builder: Any, _signature: Any, args: Any) -> Any:
        return builder.shuffle_vector(*args, _places(range(0, 2 * values.count, 2)))

    return values(values, values), generate


@intrinsic
def joined(typing: Any, values: Any, following: Any) -> Any:
    """One vector of all numbers in two."""
    result = _Lanes(2 * values.count)

    def generate(_context: Any, builder: Any, _signature: Any, args: Any) -> Any:
        return builder.shuffle_vector(*args, _places(range(result.count)))

    return result(values, values), generate


@intrinsic
def lower(typing: Any, values: Any) -> Any:
    """First half of a vector."""
    result = _Lanes(values.count // 2)

    def generate(_context: Any, builder: Any, _signature: Any, args: Any) -> Any:
        return builder.shuffle_vector(args[0], args[0], _places(range(result.count)))

    return result(values), generate


@intrinsic
def upper(typing: Any, values: Any) -> Any:
    """Second half of a vector."""
    result = _Lanes(values.count // 2)

    def generate(_context: Any, builder: Any, _signature: Any, args: Any) -> Any:
        return builder.shuffle_vector(args[0], args[0], _places(range(result.count, values.count)))

    return result(values), generate


@intrinsic
def settled(typing: Any, values: Any) -> Any:
    """Zero in every lane whose magnitude is below 1e-150."""

    def generate(_context: Any, builder: Any, _signature: Any, args: Any) -> Any:
        def everywhere(number: float) -> Any:
            return ir.Constant(_vector(values.count), [number] * values.count)

        high = builder.fcmp_ordered(">", args[0], everywhere(1e-150))
        low = builder.fcmp_ordered("<", args[0], everywhere(-1e-150))
        return builder.select(builder.or_(high, low), args[0], everywhere(0.0))

    return values(values), generate


def _arithmetic(operation: Callable[..., Any], instruction: str) -> None:
    """Let an operator of Python mean a vector instruction."""

    @intrinsic
    def compute(typing: Any, left: Any, right: Any) -> Any:
        def generate(_context: Any, builder: Any, _signature: Any, args: Any) -> Any:
            # A product and a sum may become one instruction with one rounding.
            return getattr(builder, instruction)(*args, flags=("contract",))

        return left(left, right), generate

    @overload(operation)
    def resolve(left, right):
        if isinstance(left, _Lanes) and left == right:
            return lambda left, right: compute(left, right)  # noqa: PLW0108 - numba wants a function
        return None


_arithmetic(operator.add, "fadd")
_arithmetic(operator.sub, "fsub")
_arithmetic(operator.mul, "fmul")
