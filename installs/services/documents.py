"""Papers and photos of sites."""

from __future__ import annotations

from pathlib import PurePath
from typing import Any

from django.core.files.uploadedfile import UploadedFile

from config.accounts.models import User
from config.errors import InvalidInput
from installs.models import Device, Document, Site
from installs.services.refusals import recorded

LARGEST_BYTES = 20 * 1024 * 1024
# What a browser shows or an office program opens without running anything.
ENDINGS = (".pdf", ".jpg", ".jpeg", ".png", ".webp", ".txt")


def add_document(
    site: Site, *, by: User, kind: str, title: str, file: UploadedFile[Any], device: Device | None = None
) -> Document:
    """Keep a paper or photo of the site, or of one of its devices. Raises InvalidInput."""
    name = file.name or ""
    if PurePath(name).suffix.lower() not in ENDINGS:
        raise InvalidInput(f"A file like {name!r} cannot be kept.", field="file", value=name,
                           remedy=f"Send one that ends in {', '.join(ENDINGS)}.")
    if (file.size or 0) > LARGEST_BYTES:
        raise InvalidInput(f"The file has {file.size} bytes.", field="file", value=file.size,
                           remedy=f"Send at most {LARGEST_BYTES // 1024 // 1024} MB.")
    if device is not None and device.system.site_id != site.pk:
        raise InvalidInput(f"Device {device.mark} is not at this site.", field="device", value=device.pk,
                           remedy="Choose a device of the site, or none.")
    with recorded(by):
        return Document.objects.create(site=site, device=device, kind=kind, title=title, file=file, added_by=by)
