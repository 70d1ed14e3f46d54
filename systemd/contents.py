"""Lists the Python packages in one or more folders as CycloneDX (JSON): contents.py SITE_PACKAGES ...

The same files give the same bytes: the date is SOURCE_DATE_EPOCH's.
"""

import os
import sys
import uuid
from datetime import UTC, datetime
from importlib.metadata import Distribution, distributions

from cyclonedx.contrib.license.factories import LicenseFactory
from cyclonedx.model.bom import Bom, BomMetaData
from cyclonedx.model.component import Component, ComponentType
from cyclonedx.output.json import JsonV1Dot6
from packageurl import PackageURL


def component(found: Distribution) -> Component:
    name, version = found.metadata["Name"], found.version
    licence = found.metadata["License-Expression"] or found.metadata["License"] or ""
    url = PackageURL("pypi", name=name.lower().replace("_", "-"), version=version)
    return Component(
        type=ComponentType.LIBRARY,
        name=name,
        version=version,
        purl=url,
        bom_ref=str(url),
        licenses=[LicenseFactory().make_from_string(licence)] if licence and "\n" not in licence else [],
    )


if __name__ == "__main__":
    inside = {one.purl: one for one in map(component, distributions(path=sys.argv[1:]))}
    (program,) = [one for one in inside.values() if one.name == "gloaming"]
    libraries = [one for one in inside.values() if one is not program]
    at = datetime.fromtimestamp(int(os.environ["SOURCE_DATE_EPOCH"]), UTC)
    bom = Bom(components=libraries, metadata=BomMetaData(component=program, timestamp=at))
    bom.serial_number = uuid.uuid5(uuid.NAMESPACE_URL, f"{at} {sorted(map(str, inside))}")
    bom.register_dependency(program, libraries)
    print(JsonV1Dot6(bom).output_as_string(indent=2))
