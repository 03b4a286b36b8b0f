"""What becomes of a photo once everything about it is known."""

from __future__ import annotations

from coatclass.contract import PhotoEvidence, PhotoReport, PhotoStatus, Reason
from coatclass.errors import PhotoError
from coatclass.photo._load import LoadedPhoto
from coatclass.photo.limits import Limits, default_limits, finding, status_of

_WORST_LAST = (PhotoStatus.USED, PhotoStatus.DOUBTFUL, PhotoStatus.REFUSED)


def _dog_findings(evidence: PhotoEvidence, limits: Limits) -> list[Reason]:
    margin = evidence.dog_margin
    if margin is not None and margin < limits.dog_margin.refused:
        return [finding("no_dog")]
    found = []
    if margin is not None and margin < limits.dog_margin.doubtful:
        found.append(finding("dog_unlikely"))
    share = evidence.dog_share
    if share is not None and share < limits.dog_share.doubtful:
        code = "dog_far_too_small" if share < limits.dog_share.refused else "dog_small"
        found.append(finding(code, dog_percent=f"{100 * share:.0f}"))
    single = evidence.single_dog_probability
    if single is not None and single < limits.single_dog_probability:
        found.append(finding("several_or_part"))
    return found


def report(
    photo: LoadedPhoto,
    evidence: PhotoEvidence | None = None,
    *,
    limits: Limits | None = None,
) -> PhotoReport:
    """Join what the pixels and the image model say about a photo.

    Args:
        photo: the loaded photo with its pixel-level findings.
        evidence: what the image model read; None if it has not looked.
        limits: limits of quality; those of the data file if not given.

    Returns:
        The photo's status, which is that of its worst finding, and all findings.
    """
    findings = list(photo.findings)
    if evidence is not None:
        findings += _dog_findings(evidence, limits or default_limits())
    return PhotoReport(
        file=photo.file,
        status=max((status_of(found.code) for found in findings), key=_WORST_LAST.index, default=PhotoStatus.USED),
        reasons=tuple(findings),
        dog_probability=None if evidence is None else evidence.dog_probability,
    )


def refusal(error: PhotoError) -> PhotoReport:
    """The report of a photo that could not be opened."""
    reason = Reason(code=error.code, text=f"The file {error.problem} {error.next_step}")
    return PhotoReport(file=error.source, status=PhotoStatus.REFUSED, reasons=(reason,))
