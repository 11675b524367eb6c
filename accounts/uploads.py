"""Files that people send: bounded while they arrive, so that no larger one is ever kept."""

from typing import Any

from django.core.files.uploadhandler import FileUploadHandler, StopUpload

MOST_BYTES = 5_000_000


class BoundedUpload(FileUploadHandler):
    """Stops taking in a file that grows beyond MOST_BYTES; the form then says so (`is_too_big`)."""

    def new_file(self, *args: Any, **kwargs: Any) -> None:
        super().new_file(*args, **kwargs)
        self.received = 0

    def receive_data_chunk(self, raw_data: bytes, start: int) -> bytes:
        self.received += len(raw_data)
        if self.received > MOST_BYTES:
            if self.request is not None:
                self.request.META[TOO_BIG] = True
            raise StopUpload(connection_reset=False)
        return raw_data

    def file_complete(self, file_size: int) -> None:
        return None  # kept by the handlers after this one


TOO_BIG = "broodtide.upload_too_big"


def is_too_big(request: Any) -> bool:
    return bool(request.META.get(TOO_BIG))
