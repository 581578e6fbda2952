"""The part of Polars' expressions that the formulas use, writing SQL instead: one definition, two engines.

A formula takes expressions and gives one back, by operators and methods alone; what begins an expression (`col`,
`when`, `coalesce`) comes from Polars or from this module, whose names are the same. Nulls mean the same in both:
unknown, and not true where a condition is asked for. Numbers are DOUBLE throughout.
"""

from __future__ import annotations

import sys
from typing import Any, Self

import polars as pl


def language(expression: Any) -> Any:
    """Polars or this module: where an expression comes from."""
    return sys.modules[__name__] if isinstance(expression, Sql) else pl


def when_any(condition: Any) -> Any:
    """`when` in the language of its condition."""
    return language(condition).when(condition)


def _text(value: Any) -> str:
    """SQL of an operand: an expression, a number (DOUBLE: as DECIMAL it would be rounded), a truth value, or null."""
    if isinstance(value, Sql):
        return value.text
    if value is None:
        return "null"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int):
        return str(value)
    number = repr(float(value))
    return number if "e" in number else f"{number}e0"


class Sql:
    """An SQL expression; the methods are those of `polars.Expr` of the same names."""

    def __init__(self, text: str, name: str = "") -> None:
        self.text = text
        self.name = name

    def alias(self, name: str) -> Self:
        named = type(self)(self.text)
        named.name = name
        return named

    @property
    def named(self) -> str:
        """As it stands in a select list."""
        return f'{self.text} as "{self.name}"'

    def _with(self, sign: str, other: Any) -> Sql:
        return Sql(f"({self.text} {sign} {_text(other)})")

    def _after(self, sign: str, other: Any) -> Sql:
        return Sql(f"({_text(other)} {sign} {self.text})")

    def __add__(self, other: Any) -> Sql:
        return self._with("+", other)

    def __radd__(self, other: Any) -> Sql:
        return self._after("+", other)

    def __sub__(self, other: Any) -> Sql:
        return self._with("-", other)

    def __rsub__(self, other: Any) -> Sql:
        return self._after("-", other)

    def __mul__(self, other: Any) -> Sql:
        return self._with("*", other)

    def __rmul__(self, other: Any) -> Sql:
        return self._after("*", other)

    def __truediv__(self, other: Any) -> Sql:
        return self._with("/", other)

    def __rtruediv__(self, other: Any) -> Sql:
        return self._after("/", other)

    def __lt__(self, other: Any) -> Sql:
        return self._with("<", other)

    def __le__(self, other: Any) -> Sql:
        return self._with("<=", other)

    def __gt__(self, other: Any) -> Sql:
        return self._with(">", other)

    def __ge__(self, other: Any) -> Sql:
        return self._with(">=", other)

    def __and__(self, other: Any) -> Sql:
        return self._with("and", other)

    def __or__(self, other: Any) -> Sql:
        return self._with("or", other)

    def __invert__(self) -> Sql:
        return Sql(f"(not {self.text})")

    def pow(self, exponent: float) -> Sql:
        return Sql(f"pow({self.text}, {_text(float(exponent))})") if exponent != 2 else self * self

    def sqrt(self) -> Sql:
        return Sql(f"sqrt({self.text})")

    def log(self) -> Sql:
        return Sql(f"ln({self.text})")

    def abs(self) -> Sql:
        return Sql(f"abs({self.text})")

    def clip(self, *, lower_bound: float) -> Sql:
        """Nulls stay null, which greatest() would pass over."""
        return Sql(f"(case when {self.text} < {_text(lower_bound)} then {_text(lower_bound)} else {self.text} end)")

    def is_null(self) -> Sql:
        return Sql(f"({self.text} is null)")

    def is_not_null(self) -> Sql:
        return Sql(f"({self.text} is not null)")

    def is_between(self, low: float, high: float) -> Sql:
        return Sql(f"({self.text} between {_text(low)} and {_text(high)})")

    def fill_null(self, value: Any) -> Sql:
        return Sql(f"coalesce({self.text}, {_text(value)})")


class Then(Sql):
    """A case expression that another `when` or an `otherwise` may follow; null where no condition holds."""

    def __init__(self, cases: str, name: str = "") -> None:
        super().__init__(f"(case {cases} end)", name)
        self._cases = cases

    def alias(self, name: str) -> Self:
        named = type(self)(self._cases)
        named.name = name
        return named

    def when(self, condition: Sql) -> When:
        return When(f"{self._cases} when {_text(condition)}")

    def otherwise(self, value: Any) -> Sql:
        return Sql(f"(case {self._cases} else {_text(value)} end)")


class When:
    """A condition that waits for its `then`."""

    def __init__(self, cases: str) -> None:
        self._cases = cases

    def then(self, value: Any) -> Then:
        return Then(f"{self._cases} then {_text(value)}")


def col(name: str) -> Sql:
    return Sql(f'"{name}"')


def when(condition: Sql) -> When:
    return When(f"when {_text(condition)}")


def coalesce(*values: Any) -> Sql:
    """A text names a column, as in Polars."""
    return Sql(f"coalesce({', '.join(_text(col(v) if isinstance(v, str) else v) for v in values)})")


def lit(value: float) -> Sql:
    return Sql(_text(value))
