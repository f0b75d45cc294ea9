"""Files too large for memory, while they are handed in: on disk, without a name that a killed process leaves."""

from __future__ import annotations

import tempfile
from typing import Any, Final

from django.conf import settings
from django.core.files.uploadedfile import UploadedFile
from django.core.files.uploadhandler import FileUploadHandler

from deploy.threaded import LARGEST_BODY
from reports.archive.members import LARGEST_UPLOAD

AROUND_A_FILE: Final = 100_000
"""Boundaries, headers and the other fields of a form."""
LARGEST_IMPORT: Final = max(LARGEST_BODY, settings.IMPORT_LARGEST_BYTES + AROUND_A_FILE)
LARGER_BODIES: Final = {
    "/api/v1/imports/": LARGEST_IMPORT,
    "/imports/new/": LARGEST_IMPORT,
    "/api/v1/archives/": LARGEST_UPLOAD,
    "/archives/": LARGEST_UPLOAD,
}
"""By path, how many bytes a body may have. They lie on disk, like all that are larger than what is kept in memory."""


class UnnamedFileUploadHandler(FileUploadHandler):
    """Takes what the handler before it, which keeps files in memory, leaves over."""

    def new_file(self, *args: Any, **options: Any) -> None:
        super().new_file(*args, **options)
        self.file = tempfile.TemporaryFile()  # noqa: SIM115  (the request closes it)

    def receive_data_chunk(self, raw_data: bytes, start: int) -> None:
        self.file.write(raw_data)

    def file_complete(self, file_size: int) -> UploadedFile[bytes]:
        self.file.seek(0)
        return UploadedFile(
            file=self.file,
            name=self.file_name,
            content_type=self.content_type,
            size=file_size,
            charset=self.charset,
            content_type_extra=self.content_type_extra,
        )
