"""Structured logging to standard output, for people or as JSON, without secrets and without e-mail addresses."""

import logging.config
import re

import structlog
from structlog.typing import EventDict, Processor, WrappedLogger

# Words of names, compared in lower case.
SECRET_NAMES = frozenset({"password", "pin", "token", "secret", "authorization", "cookie", "credential"})
SECRET_IN_PATH = re.compile(r"(/(?:invitations?|new-password|notices|calendar)/)[^/\s]+")
# Where an error quotes a row: that of a refused one, and the address that mail could not be sent to.
ADDRESS = re.compile(r"[^\s@\"'<>()\[\]{},;:=]+@[\w-]+(?:\.[\w-]+)+")
CONCEALED = "(concealed)"


def conceal_secrets(logger: WrappedLogger, method: str, event: EventDict) -> EventDict:
    """Replace the values of entries whose name says that they are secret, at any depth."""
    return {name: _concealed(name, value) for name, value in event.items()}


def conceal_addresses(logger: WrappedLogger, method: str, rendered: str) -> str:
    """Replace e-mail addresses, in tracebacks too: the last processor, on the finished line."""
    return ADDRESS.sub(CONCEALED, rendered)


def configure(*, as_json: bool) -> None:
    """Send the logs of Django, Celery and this project through one chain."""
    shared: list[Processor] = [
        structlog.contextvars.merge_contextvars,
        structlog.stdlib.add_logger_name,
        structlog.stdlib.add_log_level,
        structlog.processors.TimeStamper(fmt="iso", utc=True),
        structlog.processors.StackInfoRenderer(),
        conceal_secrets,
    ]
    structlog.configure(
        processors=[*shared, structlog.stdlib.ProcessorFormatter.wrap_for_formatter],
        logger_factory=structlog.stdlib.LoggerFactory(),
        cache_logger_on_first_use=True,
    )
    logging.config.dictConfig(_standard_library(shared, _renderers(as_json)))


def _renderers(as_json: bool) -> list[Processor]:
    if as_json:
        return [structlog.processors.format_exc_info, structlog.processors.JSONRenderer()]
    # A plain traceback: one with local variables would show PINs and tokens.
    return [structlog.dev.ConsoleRenderer(colors=False, exception_formatter=structlog.dev.plain_traceback)]


def _standard_library(shared: list[Processor], renderers: list[Processor]) -> dict[str, object]:
    return {
        "version": 1,
        "disable_existing_loggers": False,
        "formatters": {
            "structured": {
                "()": structlog.stdlib.ProcessorFormatter,
                "foreign_pre_chain": shared,
                "processors": [
                    structlog.stdlib.ProcessorFormatter.remove_processors_meta,
                    *renderers,
                    conceal_addresses,
                ],
            }
        },
        "handlers": {"output": {"class": "logging.StreamHandler", "formatter": "structured"}},
        "root": {"handlers": ["output"], "level": "WARNING"},
        "loggers": {
            **{name: {"level": "INFO"} for name in ("fleet", "calibration", "reports", "deploy")},
            # The request's own line already says that it was refused.
            "django.request": {"level": "ERROR"},
        },
    }


def _concealed(name: str, value: object) -> object:
    words = name.lower().replace("-", "_").split("_")
    if SECRET_NAMES.intersection(words):
        return CONCEALED
    if isinstance(value, str):
        return SECRET_IN_PATH.sub(rf"\1{CONCEALED}", value)
    if isinstance(value, dict):
        return {key: _concealed(str(key), entry) for key, entry in value.items()}
    return value
