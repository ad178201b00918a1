"""All that the books hold about one member, for that member: found by walking over every model that points at members."""

from collections.abc import Iterator

from django.db.models import DateField, Field, ForeignKey, ForeignObjectRel, Model
from django.utils import timezone

from prospecting.models import JournalEntry, Member

# A row is wholly about the member where it points there by one of these names; elsewhere the member is one fact of it.
ABOUT = {"member", "user", "joined_as"}
# Keys, their hashes and codes open something; nobody needs them to know what is held.
SECRETS = ("password", "key", "token", "sha256")
# Texts of a journal line may tell a position or a plan that a guest may not read any more.
TEXTS = {"why", "changes", "device", "what", "subject_label", "subject_path"}
# Lines about these may tell a key that is hidden from who pans and who judges; once it is open, the journal's page tells them.
KEYED, OF_KEYS = {"step", "judging"}, {"why", "changes", "what"}


def own_data(member: Member) -> dict:
    """Plain values, ready for JSON: the profile, what is wholly about the member, and which records name them as what.

    Of a record that is not about the member itself only its kind, number and times are told: what is in it is the group's,
    and whoever may read it reads it on its page.
    """
    return {
        "about": "What this site holds about one member. Records of the group that name them are listed by kind and number.",
        "made_at": timezone.now(),
        "profile": _row(member, member._meta.concrete_fields),
        "held": {
            f"{_name(relation)} as {relation.field.name}": list(_rows(member, relation))
            for relation in _relations()
            if relation.related_model._base_manager.filter(**{relation.field.name: member}).exists()
        },
    }


def _relations() -> Iterator[ForeignObjectRel]:
    """Every foreign key and one-to-one field to members, of whatever app, also those without a way back."""
    for relation in Member._meta.get_fields(include_hidden=True):
        if isinstance(relation, ForeignObjectRel) and isinstance(relation.field, ForeignKey):
            yield relation


def _name(relation: ForeignObjectRel) -> str:
    return str(relation.related_model._meta.verbose_name)


def _rows(member: Member, relation: ForeignObjectRel) -> Iterator[dict]:
    fields = relation.related_model._meta.concrete_fields
    if relation.field.name not in ABOUT:
        fields = [field for field in fields if field.primary_key or isinstance(field, DateField)]
    elif not member.can_write:
        fields = [field for field in fields if field.name not in TEXTS]
    rows = relation.related_model._base_manager.filter(**{relation.field.name: member}).order_by("pk")
    # Only what is told is read.
    for row in rows.only(*(field.name for field in fields)).iterator(chunk_size=1000):
        is_keyed = isinstance(row, JournalEntry) and row.subject_kind in KEYED
        yield _row(row, [field for field in fields if not (is_keyed and field.name in OF_KEYS)])


def _row(row: Model, fields: list[Field]) -> dict:
    return {
        field.name: field.value_from_object(row)
        for field in fields
        if not any(word in field.name for word in SECRETS)
    }
