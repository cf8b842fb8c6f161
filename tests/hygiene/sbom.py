"""A list of all that is installed for the package (SBOM), as CycloneDX 1.6 JSON, same bytes always.

    python tests/hygiene/sbom.py [--extra review --extra survey ...] > crownlet.cdx.json

Written from the metadata of what is installed; the networks are named with their checksums.
CycloneDX 1.6 is ECMA-424; package URLs are by the purl specification.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import sys
import uuid
from importlib.metadata import Distribution, distribution
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))
import audit

NAMESPACE = uuid.UUID("6ba7b811-9dad-11d1-80b4-00c04fd430c8")
"""NAMESPACE_URL of RFC 4122."""


def purl(found: Distribution) -> str:
    """The package URL of a distribution."""
    return f"pkg:pypi/{audit.plain(found.name)}@{found.version}"


def component(found: Distribution) -> dict[str, Any]:
    """A distribution as a component; its licence as an expression only if the metadata say so."""
    entry: dict[str, Any] = {
        "type": "library", "bom-ref": purl(found), "name": audit.plain(found.name),
        "version": found.version, "purl": purl(found),
    }  # fmt: skip
    expression, name = found.metadata.get("License-Expression"), audit.licence(found)
    if expression:
        entry["licenses"] = [{"expression": expression}]
    elif name:
        entry["licenses"] = [{"license": {"name": name}}]
    return entry


def networks() -> list[dict[str, Any]]:
    """The networks that are shipped."""
    from crownlet.infer.networks import NETWORK_FILES, weights_folder

    return [
        {
            "type": "machine-learning-model", "bom-ref": f"crownlet/{name}", "name": name,
            "hashes": [{"alg": "SHA-256", "content": _sha256(weights_folder() / name)}],
        }
        for name in sorted(NETWORK_FILES)
    ]  # fmt: skip


def _sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def bom(*extras: str) -> dict[str, Any]:
    """The list for the package with these extras."""
    found = audit.installed(*extras)
    root = distribution(audit.ROOT)
    models = networks()
    direct = {name for name in audit.declared(frozenset(extras)) if name in found}
    own = [model["bom-ref"] for model in models]
    depends = [{"ref": purl(root), "dependsOn": own + sorted(purl(found[n]) for n in direct)}]
    for one in found.values():
        below = [name for name in audit.needs(one, frozenset()) if name in found]
        depends.append({"ref": purl(one), "dependsOn": sorted(purl(found[n]) for n in below)})
    body = {
        "metadata": {"component": component(root) | {"type": "application"}},
        "components": [*map(component, found.values()), *models],
        "dependencies": depends,
    }
    serial = uuid.uuid5(NAMESPACE, json.dumps(body, sort_keys=True))
    head = {"bomFormat": "CycloneDX", "specVersion": "1.6", "serialNumber": f"urn:uuid:{serial}"}
    return head | {"version": 1} | body


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--extra", action="append", default=[])
    print(json.dumps(bom(*parser.parse_args().extra), indent=1))


if __name__ == "__main__":
    main()
