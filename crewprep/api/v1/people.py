"""How people appear in answers."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers

from crewprep.crews.models import User


class PersonOut(serializers.Serializer[User]):
    """A member by sign-in name and the name that others see."""

    username = serializers.CharField()
    name = serializers.SerializerMethodField()

    def get_name(self, person: User) -> str:
        """The name that others see."""
        return str(person)


def person_field(**options: Any) -> PersonOut:
    """A person in the answer."""
    return PersonOut(read_only=True, **options)
