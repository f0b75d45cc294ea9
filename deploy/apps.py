from django.apps import AppConfig


class DeployConfig(AppConfig):
    name = "deploy"

    def ready(self) -> None:
        # Binds every shared task, in whatever process, to this installation's broker.
        from deploy import celery  # noqa: F401
