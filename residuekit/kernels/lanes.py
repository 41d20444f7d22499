# mypy: disable-error-code="untyped-decorator"
# ruff: noqa: ARG001 - numba reads how many arguments an intrinsic takes from its definition
"""Sixteen float64 in step: the SIMD words that the compiled kernels are written in.

A value of `Lanes` is a vector of 16 float64 that lives in registers. Loops over channels that work
on `Lanes` are vectorised for certain, whatever the compiler thinks of their memory. `load` and
`store` move 16 neighbours of a one-dimensional array, float32 or float64. The functions here are
numba intrinsics: they can be called from compiled code alone. This module imports numba.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numba
from llvmlite import ir  # type: ignore[import-untyped]
from numba import types
from numba.core import cgutils
from numba.extending import intrinsic, models, register_model

__all__ = [
    "WIDTH",
    "across",
    "add",
    "divide",
    "fma",
    "jit",
    "least",
    "less_product",
    "load",
    "lower",
    "multiply",
    "pick_less",
    "power_of_two",
    "splat",
    "store",
    "subtract",
]

WIDTH = 16
_DOUBLES = ir.VectorType(ir.DoubleType(), WIDTH)
_WHOLE = ir.VectorType(ir.IntType(64), WIDTH)


def jit(function: Callable[..., Any]) -> Callable[..., Any]:
    """Compile for reuse by later processes; no lock on Python, no exception for a division by 0."""
    compiler = numba.njit(cache=True, error_model="numpy", nogil=True, fastmath={"contract"})
    compiled: Callable[..., Any] = compiler(function)
    return compiled


class _Lanes(types.Type):  # type: ignore[misc]
    def __init__(self) -> None:
        super().__init__(name="Lanes")


LANES = _Lanes()


@register_model(_Lanes)
class _LanesModel(models.PrimitiveModel):  # type: ignore[misc]
    def __init__(self, manager: Any, kind: Any) -> None:
        super().__init__(manager, kind, _DOUBLES)


def _place(context: Any, builder: Any, array_type: Any, array: Any, index: Any) -> tuple[Any, Any]:
    """Return the pointer to 16 neighbours and their vector type."""
    data = cgutils.create_struct_proxy(array_type)(context, builder, array).data
    element = context.get_data_type(array_type.dtype)
    vector = ir.VectorType(element, WIDTH)
    return builder.bitcast(builder.gep(data, [index]), vector.as_pointer()), vector


@intrinsic
def load(_typing: Any, array: Any, index: Any) -> Any:
    """load(array, i): array[i : i + 16] as float64."""

    def generate(context: Any, builder: Any, signature: Any, values: Any) -> Any:
        place, vector = _place(context, builder, array, values[0], values[1])
        width = context.get_abi_sizeof(vector.element)
        loaded = builder.load(place, align=width)
        return loaded if vector == _DOUBLES else builder.fpext(loaded, _DOUBLES)

    return LANES(array, types.intp), generate


@intrinsic
def store(_typing: Any, array: Any, index: Any, lanes: Any) -> Any:
    """store(array, i, lanes): array[i : i + 16] = lanes, rounded where the array is float32."""

    def generate(context: Any, builder: Any, signature: Any, values: Any) -> Any:
        place, vector = _place(context, builder, array, values[0], values[1])
        value = values[2] if vector == _DOUBLES else builder.fptrunc(values[2], vector)
        builder.store(value, place, align=context.get_abi_sizeof(vector.element))
        return context.get_dummy_value()

    return types.void(array, types.intp, LANES), generate


@intrinsic
def splat(_typing: Any, number: Any) -> Any:
    """splat(x): x in every lane."""

    def generate(_context: Any, builder: Any, signature: Any, values: Any) -> Any:
        return _constant(builder, values[0])

    return LANES(types.float64), generate


def _constant(builder: Any, number: Any) -> Any:
    empty = ir.Constant(_DOUBLES, ir.Undefined)
    one = builder.insert_element(empty, number, ir.Constant(ir.IntType(32), 0))
    zeros = ir.Constant(ir.VectorType(ir.IntType(32), WIDTH), [0] * WIDTH)
    return builder.shuffle_vector(one, empty, zeros)


def _elementwise(name: str, words: str) -> Any:
    def typing(_typing: Any, first: Any, second: Any) -> Any:
        def generate(_context: Any, builder: Any, signature: Any, values: Any) -> Any:
            return getattr(builder, name)(*values)

        return LANES(LANES, LANES), generate

    typing.__doc__ = words
    return intrinsic(typing)


add = _elementwise("fadd", "add(a, b): a + b.")
subtract = _elementwise("fsub", "subtract(a, b): a - b.")
multiply = _elementwise("fmul", "multiply(a, b): a * b.")
divide = _elementwise("fdiv", "divide(a, b): a / b.")


@intrinsic
def fma(_typing: Any, first: Any, second: Any, third: Any) -> Any:
    """fma(a, b, c): a * b + c, rounded once."""

    def generate(_context: Any, builder: Any, signature: Any, values: Any) -> Any:
        kind = ir.FunctionType(_DOUBLES, [_DOUBLES] * 3)
        name = f"llvm.fma.v{WIDTH}f64"
        function = cgutils.get_or_insert_function(builder.module, kind, name)
        return builder.call(function, values)

    return LANES(LANES, LANES, LANES), generate


@jit
def less_product(value: Any, first: Any, second: Any) -> Any:
    """Return value - first * second, rounded once."""
    return fma(subtract(splat(-0.0), first), second, value)


@intrinsic
def pick_less(_typing: Any, first: Any, second: Any, yes: Any, no: Any) -> Any:
    """pick_less(a, b, yes, no): yes where a < b, else no."""

    def generate(_context: Any, builder: Any, signature: Any, values: Any) -> Any:
        less = builder.fcmp_ordered("<", values[0], values[1])
        return builder.select(less, values[2], values[3])

    return LANES(LANES, LANES, LANES, LANES), generate


@intrinsic
def power_of_two(_typing: Any, shifted: Any) -> Any:
    """power_of_two(k + 1.5 * 2^52): 2^k for whole k from -1022 to 1023, by its bits."""

    def generate(_context: Any, builder: Any, signature: Any, values: Any) -> Any:
        bits = builder.bitcast(values[0], _WHOLE)
        biased = builder.add(bits, ir.Constant(_WHOLE, [1023] * WIDTH))
        exponent = builder.shl(biased, ir.Constant(_WHOLE, [52] * WIDTH))
        return builder.bitcast(exponent, _DOUBLES)

    return LANES(LANES), generate


@intrinsic
def across(_typing: Any, lanes: Any) -> Any:
    """across(a): the sum of the 16 lanes."""

    def generate(_context: Any, builder: Any, signature: Any, values: Any) -> Any:
        kind = ir.FunctionType(ir.DoubleType(), [ir.DoubleType(), _DOUBLES])
        name = f"llvm.vector.reduce.fadd.v{WIDTH}f64"
        function = cgutils.get_or_insert_function(builder.module, kind, name)
        start = ir.Constant(ir.DoubleType(), 0.0)
        return builder.call(function, [start, values[0]], fastmath=("reassoc",))

    return types.float64(LANES), generate


@intrinsic
def least(_typing: Any, lanes: Any) -> Any:
    """least(a): the smallest of the 16 lanes, NaN apart."""

    def generate(_context: Any, builder: Any, signature: Any, values: Any) -> Any:
        kind = ir.FunctionType(ir.DoubleType(), [_DOUBLES])
        name = f"llvm.vector.reduce.fmin.v{WIDTH}f64"
        function = cgutils.get_or_insert_function(builder.module, kind, name)
        return builder.call(function, [values[0]])

    return types.float64(LANES), generate


@jit
def lower(first: Any, second: Any) -> Any:
    """Return the smaller of each pair."""
    return pick_less(second, first, second, first)
