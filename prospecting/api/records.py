"""What the API tells of a record: one list of fields, from which answers, the OpenAPI document and the page are made."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

from prospecting.api.kinds import Kind


@dataclass(frozen=True)
class Field:
    """One field of an answer. `get` reads it from the row (the attribute of its name, where none is given).

    `members_only` is null for a guest: what tells a position, and papers.
    """

    name: str
    kind: Kind
    says: str
    get: Callable[[Any], Any] | None = None
    may_be_null: bool = False
    members_only: bool = False

    def write(self, row: Any, *, for_guest: bool) -> Any:
        if self.members_only and for_guest:
            return None
        value = self.get(row) if self.get else getattr(row, self.name)
        return None if value is None else self.kind.write(value)

    @property
    def is_nullable(self) -> bool:
        return self.may_be_null or self.members_only

    @property
    def schema(self) -> dict:
        says = f"{self.says} Null for a guest." if self.members_only else self.says
        if self.is_nullable:
            return {"anyOf": [self.kind.schema, {"type": "null"}], "description": says}
        return self.kind.schema | {"description": says}


@dataclass(frozen=True)
class Record:
    """`name` is its name in the OpenAPI document. Every field is always there; what is not known is null or an empty text."""

    name: str
    says: str
    fields: tuple[Field, ...]

    def write(self, row: Any, *, for_guest: bool) -> dict:
        return {field.name: field.write(row, for_guest=for_guest) for field in self.fields}

    @property
    def schema(self) -> dict:
        return {
            "type": "object",
            "description": self.says,
            "properties": {field.name: field.schema for field in self.fields},
            "required": [field.name for field in self.fields],
            "additionalProperties": False,
        }

    @property
    def reference(self) -> dict:
        return {"$ref": f"#/components/schemas/{self.name}"}


def part_of(record: Record) -> Kind:
    """A record inside another one. None of its fields is for members only: who reads is not known there."""
    return Kind(
        record.reference, f"{record.name}, see below", lambda row: record.write(row, for_guest=True), _unread
    )


def parts_of(record: Record) -> Kind:
    schema = {"type": "array", "items": record.reference}

    def write(rows: Iterable) -> list[dict]:
        return [record.write(row, for_guest=True) for row in rows]

    return Kind(schema, f"list of {record.name}, see below", write, _unread)


def _unread(value: Any) -> Any:
    raise ValueError("This is told, not taken.")
