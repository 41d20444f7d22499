# mypy: disable-error-code="untyped-decorator, no-untyped-call"
# ruff: noqa: ARG001 - numba reads how many arguments an intrinsic takes from its definition
"""Sixteen float64 in step: the SIMD words that the compiled kernels are written in.

A value of `Lanes` is a vector of 16 float64 that lives in registers: `+ - * /` of lanes, or of
lanes and a number. Loops over channels that work on `Lanes` are vectorised for certain, whatever
the compiler thinks of their memory. `load` and `store` move row i of an array (n, 16), or 16
neighbours from i of an array (n,), float32 or float64. They can be called from compiled code alone.
This module imports numba.
"""

from __future__ import annotations

import operator
from collections.abc import Callable
from typing import Any

import numba
from llvmlite import ir  # type: ignore[import-untyped]
from numba import types
from numba.core import cgutils
from numba.core.typeconv import Conversion
from numba.core.typing.templates import AbstractTemplate, infer_global, signature
from numba.extending import intrinsic, lower_builtin, lower_cast, models, register_model

__all__ = [
    "WIDTH",
    "jit",
    "least",
    "load",
    "lower",
    "pick_less",
    "power_of_two",
    "store",
]

WIDTH = 16
_DOUBLES = ir.VectorType(ir.DoubleType(), WIDTH)
_WHOLE = ir.VectorType(ir.IntType(64), WIDTH)


def jit(function: Callable[..., Any]) -> Callable[..., Any]:
    """Compile for reuse by later processes; no lock on Python, no exception for a division by 0.

    Sums may be taken in another order and products fused, so that loops are vectorised.
    """
    freedom = {"contract", "reassoc"}
    compiler = numba.njit(cache=True, error_model="numpy", nogil=True, fastmath=freedom)
    compiled: Callable[..., Any] = compiler(function)
    return compiled


class _Lanes(types.Type):  # type: ignore[misc]
    def can_convert_from(self, _typing: Any, other: Any) -> Any:
        return Conversion.safe if isinstance(other, types.Number) else None


LANES = _Lanes(name="Lanes")


@register_model(_Lanes)
class _LanesModel(models.PrimitiveModel):  # type: ignore[misc]
    def __init__(self, manager: Any, kind: Any) -> None:
        super().__init__(manager, kind, _DOUBLES)


@lower_cast(types.Number, LANES)
def _in_every_lane(context: Any, builder: Any, given: Any, _lanes: Any, value: Any) -> Any:
    number = context.cast(builder, value, given, types.float64)
    empty = ir.Constant(_DOUBLES, ir.Undefined)
    one = builder.insert_element(empty, number, ir.Constant(ir.IntType(32), 0))
    zeros = ir.Constant(ir.VectorType(ir.IntType(32), WIDTH), [0] * WIDTH)
    return builder.shuffle_vector(one, empty, zeros)


def _define(operation: Callable[..., Any], instruction: str) -> None:
    @infer_global(operation)
    class _Operator(AbstractTemplate):  # type: ignore[misc]
        def generic(self, kinds: Any, _names: Any) -> Any:
            fits = LANES in kinds and all(kind == LANES or isinstance(kind, types.Number)
                                          for kind in kinds)  # fmt: skip
            return signature(LANES, LANES, LANES) if fits else None

    @lower_builtin(operation, LANES, LANES)
    def _generate(_context: Any, builder: Any, _signature: Any, values: Any) -> Any:
        return getattr(builder, instruction)(*values, flags=("contract",))


for _operation, _instruction in ((operator.add, "fadd"), (operator.sub, "fsub"),
                                 (operator.mul, "fmul"), (operator.truediv, "fdiv")):  # fmt: skip
    _define(_operation, _instruction)


def _place(context: Any, builder: Any, array_type: Any, array: Any, index: Any) -> tuple[Any, Any]:
    """Return the pointer to 16 neighbours and their vector type."""
    data = cgutils.create_struct_proxy(array_type)(context, builder, array).data
    element = context.get_data_type(array_type.dtype)
    if array_type.ndim == 2:
        index = builder.mul(index, ir.Constant(index.type, WIDTH))
    vector = ir.VectorType(element, WIDTH)
    return builder.bitcast(builder.gep(data, [index]), vector.as_pointer()), vector


@intrinsic
def load(_typing: Any, array: Any, index: Any) -> Any:
    """load(array, i): the 16 as float64."""

    def generate(context: Any, builder: Any, signature: Any, values: Any) -> Any:
        place, vector = _place(context, builder, array, values[0], values[1])
        loaded = builder.load(place, align=context.get_abi_sizeof(vector.element))
        return loaded if vector == _DOUBLES else builder.fpext(loaded, _DOUBLES)

    return LANES(array, types.intp), generate


@intrinsic
def store(_typing: Any, array: Any, index: Any, lanes: Any) -> Any:
    """store(array, i, lanes): rounded where the array is float32."""

    def generate(context: Any, builder: Any, signature: Any, values: Any) -> Any:
        place, vector = _place(context, builder, array, values[0], values[1])
        value = values[2] if vector == _DOUBLES else builder.fptrunc(values[2], vector)
        builder.store(value, place, align=context.get_abi_sizeof(vector.element))
        return context.get_dummy_value()

    return types.void(array, types.intp, LANES), generate


@intrinsic
def pick_less(_typing: Any, first: Any, second: Any, yes: Any, no: Any) -> Any:
    """pick_less(a, b, yes, no): yes where a < b, else no."""

    def generate(_context: Any, builder: Any, signature: Any, values: Any) -> Any:
        return builder.select(builder.fcmp_ordered("<", *values[:2]), *values[2:])

    return LANES(LANES, LANES, LANES, LANES), generate


@jit
def lower(first: Any, second: Any) -> Any:
    """Return the smaller of each pair."""
    return pick_less(second, first, second, first)


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
def least(_typing: Any, lanes: Any) -> Any:
    """least(a): the smallest of the 16 lanes, NaN apart."""

    def generate(_context: Any, builder: Any, signature: Any, values: Any) -> Any:
        kind = ir.FunctionType(ir.DoubleType(), [_DOUBLES])
        name = f"llvm.vector.reduce.fmin.v{WIDTH}f64"
        function = cgutils.get_or_insert_function(builder.module, kind, name)
        return builder.call(function, [values[0]])

    return types.float64(LANES), generate
