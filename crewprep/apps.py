"""The one Django app."""

from django.apps import AppConfig


class CrewprepConfig(AppConfig):
    """Loads every model through ``crewprep.models`` and the Celery app, so that tasks find it."""

    name = "crewprep"
    verbose_name = "crewprep"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        """Register system checks, bind shared tasks to our Celery app, and have the record keep standings and fates."""
        from crewprep import celery, checks  # noqa: F401  imported for what importing them registers
        from crewprep.activity.services import listen
        from crewprep.library.upkeep import mark_on_record
        from crewprep.onboarding.fates import note_approval

        listen(mark_on_record)
        listen(note_approval)
