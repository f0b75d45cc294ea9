from django.apps import AppConfig


class DeployConfig(AppConfig):
    name = "deploy"

    def ready(self) -> None:
        # Binds every shared task, in whatever process, to this installation's broker.
        from deploy import celery  # noqa: F401
        from deploy.certificate_checker import checked, script
        from reports.selectors.certificate_files import register_checker

        register_checker(checked, script())
