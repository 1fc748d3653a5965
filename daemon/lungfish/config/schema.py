"""The JSON schema of a site file, for editors; it comes out of the same form as the checks."""

from __future__ import annotations

from typing import Any

from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue
from pydantic_core import core_schema

from lungfish.config.form import SiteFileForm
from lungfish.config.keys import EXAMPLES

__all__ = ["json_schema"]


class _FileSchema(GenerateJsonSchema):
    """A schema of what is written, not of what is held: no nulls, no defaults in SI, no made-up titles."""

    def nullable_schema(self, schema: core_schema.NullableSchema) -> JsonSchemaValue:
        return self.generate_inner(schema["schema"])

    def default_schema(self, schema: core_schema.WithDefaultSchema) -> JsonSchemaValue:
        return self.generate_inner(schema["schema"])

    def tagged_union_schema(self, schema: core_schema.TaggedUnionSchema) -> JsonSchemaValue:
        made = super().tagged_union_schema(schema)
        if "discriminator" not in made and "oneOf" in made:
            made["anyOf"] = made.pop("oneOf")  # told apart by code of ours; patterns may overlap
        return made

    def field_title_should_be_set(self, schema: Any) -> bool:  # noqa: ANN401 - pydantic's own signature
        return False


def json_schema() -> dict[str, Any]:
    """The JSON schema (draft 2020-12) of a site file."""
    schema = SiteFileForm.model_json_schema(schema_generator=_FileSchema)
    for name, definition in schema["$defs"].items():
        section = name.removesuffix("Form").lower()
        for key, field in definition["properties"].items():
            example = EXAMPLES.get(f"{section}.{key}") or EXAMPLES.get(key)
            if field.get("type") == "string" and "pattern" in field and example:
                field["examples"] = [example]
    schema["title"] = "lungfish site file"
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema}
