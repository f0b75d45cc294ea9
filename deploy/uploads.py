"""Files too large for memory, while they are handed in: on disk, without a name that a killed process leaves."""

from __future__ import annotations

import tempfile
from typing import Any

from django.core.files.uploadedfile import UploadedFile
from django.core.files.uploadhandler import FileUploadHandler


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
