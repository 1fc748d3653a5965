"""What every section of the form is made of."""

from __future__ import annotations

from typing import Annotated, Any, Final

from pydantic import BaseModel, ConfigDict, Field

from lungfish.config.fields import Quantity
from lungfish.units import LENGTH

__all__ = ["PAIR", "ROWS", "Address", "Section", "Size", "UnitId"]


class Section(BaseModel):
    """A mapping of the site file: unknown keys are errors, values are taken as they are written."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, use_attribute_docstrings=True)

    @classmethod
    def forget(cls) -> None:
        """Let go of what checks this form and those that follow from it, until `recall`."""
        for form in cls.__subclasses__():
            form.forget()
            for name in _BUILT:
                if name in form.__dict__:
                    delattr(form, name)

    @classmethod
    def recall(cls) -> None:
        """Build anew what `forget` let go of."""
        for form in cls.__subclasses__():
            if not set(_BUILT) <= set(form.__dict__):
                form.model_rebuild(force=True)
            form.recall()


_BUILT = ("__pydantic_validator__", "__pydantic_serializer__", "__pydantic_core_schema__")
"""What pydantic builds of each form: half a megabyte of all of them."""

Address = Annotated[int, Field(ge=0, le=65535)]
UnitId = Annotated[int, Field(ge=0, le=255)]
Size = Annotated[float, Quantity(LENGTH, "1 mm", "100 m")]

PAIR: Final[Any] = Field(strict=False)
"""A list of two, which YAML can't tell from any other list."""

ROWS: Final[Any] = Field(min_length=2, max_length=2000, strict=False)
"""A table."""
