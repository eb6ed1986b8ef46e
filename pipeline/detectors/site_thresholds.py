"""Thresholds of sags and swells as further detectors take them: the site's, where their own settings state none."""

from __future__ import annotations

from typing import Final, TypeVar

from pydantic import BaseModel

from halfcycle.pipeline.settings import Thresholds

USUAL: Final = Thresholds()
"""What counts where neither the settings of a detector nor a site's profile say otherwise."""

Settings = TypeVar("Settings", bound=BaseModel)


def within_site(settings: Settings, *, sag_pu: float, swell_pu: float) -> Settings:
    """Settings with a site's thresholds in place of those that are not set in them.

    Parameters
    ----------
    settings : with the fields `sag_pu` and `swell_pu`.
    sag_pu, swell_pu : of the site. [pu]

    Source: IEC 61000-4-30 Ed. 3, 4.7 and 5.11 (in part from memory): what is a dip or swell is found as nothing else.
    """
    of_site = {"sag_pu": sag_pu, "swell_pu": swell_pu}
    return settings.model_copy(update={key: pu for key, pu in of_site.items() if key not in settings.model_fields_set})
