"""The one place that knows ONNX Runtime: both networks, verified, with their own metadata.

A model folder holds `locator.onnx`, `assessor.onnx`, `checksums.sha256` (as `sha256sum` writes it)
and `thresholds.yaml`. Files are read once, verified, and loaded from those same bytes.
"""

from __future__ import annotations

import base64
import hashlib
import os
from dataclasses import dataclass, field
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple, Protocol

import numpy as np
import numpy.typing as npt

from crownlet.datasets.files.documents import parse_json, read_small_file
from crownlet.datasets.files.errors import FileFault
from crownlet.datasets.scribal.alphabet import LETTERS
from crownlet.datasets.scribal.catalogue import GLYPH_DEFECTS, present_name
from crownlet.models.external_data import has_external_data

if TYPE_CHECKING:
    import onnxruntime

NETWORK_FILES = ("locator.onnx", "assessor.onnx")

LOCATOR_OUTPUTS = ("centre", "letter", "turn", "shape", "scale")

ASSESSOR_OUTPUTS = ("letter", "defects", "tags")

PARTS_OUTPUT = "parts"
"""Part masks: an output of the assessor, or of a network of their own in its metadata."""

PART_MASKS_KEY = "part_masks"
"""Metadata of the assessor: base64 of the ONNX network of the part masks. Its inputs are further
outputs of the assessor, `FEATURE_PREFIX` and a number, so that masks are computed of few letters
only."""

FEATURE_PREFIX = "feature_"

HIDDEN_OUTPUT = "hidden"
"""Output of the assessor, (N, H): the numbers from which its last layer reads each letter.
Older networks do not have it."""

LETTER_MEANS_KEY = "letter_means"
"""Metadata of the assessor: mean of the hidden numbers over the letters of each class, base64 of
27 x H little-endian float16, by class and then by number."""

LETTER_CLASSES = 27

MAX_NETWORK_BYTES, MAX_CHECKSUMS_BYTES = 400_000_000, 100_000
"""Sizes above which files are not read; the shipped networks have 10 MB."""

LOCATOR_BODY_PX = 28.0
"""Body height in px of the pages that the locator is trained on."""

Float32 = npt.NDArray[np.float32]

NO_MASKS: Float32 = np.zeros((0, 6, 32, 24), np.float32)


class ModelError(FileFault):
    """A model folder that cannot be used: `path` names the file, `reason` says why."""


@dataclass(frozen=True)
class ModelInfo:
    """Metadata of the networks."""

    version: str
    letters: str
    """The 27 letters in the order of the outputs."""
    defects: tuple[str, ...]
    """Names of the learned defects, in the order of the assessor's output."""
    parts: tuple[str, ...]
    checksums: dict[str, str] = field(default_factory=dict)
    folder: str = ""
    letter_means: npt.NDArray[np.float64] | None = field(default=None, compare=False, repr=False)
    """(27, H) mean of the assessor's hidden numbers over each class; None in older networks."""


@dataclass(frozen=True)
class LocatorMaps:
    """The locator's answer at stride 4: `centre` (h, w), the others (channels, h, w)."""

    centre: Float32
    letter: Float32
    turn: Float32
    shape: Float32
    scale: Float32


class Assessment(NamedTuple):
    """The assessor's answers for N crops."""

    letters: Float32
    """(N, 28) probability of each letter, last "no letter"."""
    defects: Float32
    """(N, D)."""
    tags: Float32
    """(N, 5)."""
    hidden: Float32 | None
    """(N, H) hidden numbers; None where the networks do not give them."""
    features: tuple[npt.NDArray[Any], ...]
    """What `part_masks` needs, N rows each."""


class Networks(Protocol):
    """What the stages need of the two networks; tests give prepared answers instead."""

    @property
    def info(self) -> ModelInfo:
        """Names and versions."""

    @property
    def lanes(self) -> int:
        """How many threads may call `assess` at once to keep the processor busy."""

    def locate(self, page: Float32) -> LocatorMaps:
        """Maps for a page (1, 1, H, W), H and W multiples of 32, flattened grey / 255."""

    def assess(self, crops: npt.NDArray[np.uint8]) -> Assessment:
        """Letter, defect and tag probabilities for crops (N, 2, 128, 96)."""

    def part_masks(self, seen: Assessment, rows: npt.NDArray[np.int64]) -> Float32:
        """Part masks (K, 6, 32, 24), 0 to 1, of the crops `rows` (K,) of an assessment."""


class OnnxNetworks:
    """Both networks in ONNX Runtime on the processor."""

    def __init__(self, folder: str | Path | None = None, threads: int | None = None) -> None:
        self.folder = Path(folder) if folder is not None else weights_folder()
        self.threads = threads or count_physical_cores()
        files = read_verified_files(self.folder)
        # One page has one locator run but many batches of crops: one core for each batch.
        self._locator = self._session(
            "locator.onnx", files["locator.onnx"], LOCATOR_OUTPUTS, self.threads
        )
        self._assessor = self._session("assessor.onnx", files["assessor.onnx"], ASSESSOR_OUTPUTS, 1)
        given = {output.name for output in self._assessor.get_outputs()}
        self._hidden = (HIDDEN_OUTPUT,) if HIDDEN_OUTPUT in given else ()
        self._masks = self._masks_session()
        self._features = (
            (PARTS_OUTPUT,)
            if self._masks is None
            else tuple(each.name for each in self._masks.get_inputs())
        )
        if missing := set(self._features) - given:
            raise ModelError(
                self.folder / "assessor.onnx", f"lacks the outputs {', '.join(sorted(missing))}."
            )
        self._info = self._read_info(files)

    @property
    def info(self) -> ModelInfo:
        """Names and versions, read from the networks' own metadata."""
        return self._info

    @property
    def lanes(self) -> int:
        """Batches of crops that are assessed at once, each on one core."""
        return self.threads

    def locate(self, page: Float32) -> LocatorMaps:
        """Maps for a page (1, 1, H, W) float32, H and W multiples of 32."""
        maps = dict(
            zip(
                LOCATOR_OUTPUTS,
                self._locator.run(list(LOCATOR_OUTPUTS), {"page": page}),
                strict=True,
            )
        )
        return LocatorMaps(maps.pop("centre")[0, 0], **{k: v[0] for k, v in maps.items()})

    def assess(self, crops: npt.NDArray[np.uint8]) -> Assessment:
        """Letter, defect and tag probabilities for crops (N, 2, 128, 96) uint8."""
        names = (*ASSESSOR_OUTPUTS, *self._hidden, *self._features)
        letters, defects, tags, *rest = self._assessor.run(list(names), {"crops": crops})
        hidden = rest.pop(0) if self._hidden else None
        return Assessment(letters, defects, tags, hidden, tuple(rest))

    def part_masks(self, seen: Assessment, rows: npt.NDArray[np.int64]) -> Float32:
        """Part masks (K, 6, 32, 24), 0 to 1, of the crops `rows` (K,) of an assessment."""
        kept = [feature[rows] for feature in seen.features]
        if self._masks is None or not len(rows):
            return np.asarray(kept[0], np.float32) if self._masks is None else NO_MASKS
        feeds = dict(zip(self._features, kept, strict=True))
        return np.asarray(self._masks.run([PARTS_OUTPUT], feeds)[0], np.float32)

    def _masks_session(self) -> onnxruntime.InferenceSession | None:
        """The network of the part masks; None where they are an output of the assessor."""
        text = self._assessor.get_modelmeta().custom_metadata_map.get(PART_MASKS_KEY)
        if text is None:
            return None
        try:
            data = base64.b64decode(text, validate=True)
        except ValueError:
            path = self.folder / "assessor.onnx"
            raise ModelError(path, f"its {PART_MASKS_KEY} are not a network.") from None
        return self._session("assessor.onnx", data, (PARTS_OUTPUT,), 1)

    def _session(
        self, name: str, data: bytes, outputs: tuple[str, ...], threads: int
    ) -> onnxruntime.InferenceSession:
        ort = import_onnx_runtime()
        self._refuse_external_data(name, data)
        options = ort.SessionOptions()
        options.intra_op_num_threads = threads
        options.inter_op_num_threads = 1
        options.graph_optimization_level = ort.GraphOptimizationLevel.ORT_ENABLE_ALL
        options.log_severity_level = 3
        # Threads that wait in a loop are no quicker and take a fifth more of the processor's time.
        options.add_session_config_entry("session.intra_op.allow_spinning", "0")
        try:
            session = ort.InferenceSession(data, options, providers=["CPUExecutionProvider"])
        except Exception as error:
            cause = " ".join(str(error).split())[:160]
            raise ModelError(self.folder / name, f"is not a usable network ({cause}).") from None
        missing = set(outputs) - {output.name for output in session.get_outputs()}
        if missing:
            raise ModelError(self.folder / name, f"lacks the outputs {', '.join(sorted(missing))}.")
        return session

    def _refuse_external_data(self, name: str, data: bytes) -> None:
        try:
            external = has_external_data(data)
        except ValueError as error:
            raise ModelError(self.folder / name, f"is not a usable network ({error}).") from None
        if external:
            raise ModelError(
                self.folder / name,
                "takes numbers from another file, which its checksum does not cover; save it with "
                "all of them inside.",
            )

    def _read_info(self, files: dict[str, bytes]) -> ModelInfo:
        meta = dict(self._assessor.get_modelmeta().custom_metadata_map)
        path = self.folder / "assessor.onnx"
        try:
            letters, defects, parts = (
                _parse_names(meta[k]) for k in ("letters", "defects", "parts")
            )
            defects = [present_name(name) for name in defects]
        except KeyError as error:
            raise ModelError(path, f"does not say its {error.args[0]} in its metadata.") from None
        if len(letters) != LETTER_CLASSES:
            raise ModelError(path, f"names {len(letters)} letters in its metadata, not 27.")
        if "".join(letters) != LETTERS:
            raise ModelError(path, "names other letters in its metadata than alef to tav.")
        outputs = [
            *self._assessor.get_outputs(),
            *(self._masks.get_outputs() if self._masks else ()),
        ]
        shapes = {output.name: output.shape for output in outputs}
        for key, names in (("defects", defects), ("parts", parts)):
            if doubled := sorted({name for name in names if names.count(name) > 1}):
                raise ModelError(path, f"names {doubled[0]!r} twice in its {key}.")
            if len(shapes[key]) < 2 or shapes[key][1] != len(names):
                raise ModelError(path, f"names {len(names)} {key}, which its output does not have.")
        if unknown := sorted(set(defects) - set(GLYPH_DEFECTS)):
            raise ModelError(path, f"names {unknown[0]!r}, which is no defect of the catalogue.")
        return ModelInfo(
            version=meta.get("version", "unknown"),
            letters="".join(letters),
            defects=tuple(defects),
            parts=tuple(parts),
            checksums={name: hashlib.sha256(data).hexdigest() for name, data in files.items()},
            folder=str(self.folder),
            letter_means=self._letter_means(meta.get(LETTER_MEANS_KEY)),
        )

    def _letter_means(self, text: str | None) -> npt.NDArray[np.float64] | None:
        if text is None or not self._hidden:
            return None
        try:
            numbers = np.frombuffer(base64.b64decode(text, validate=True), "<f2")
            return numbers.reshape(LETTER_CLASSES, -1).astype(np.float64)
        except ValueError:
            path = self.folder / "assessor.onnx"
            reason = f"its {LETTER_MEANS_KEY} are not {LETTER_CLASSES} rows of numbers."
            raise ModelError(path, reason) from None


def weights_folder() -> Path:
    """Folder of the shipped networks."""
    return Path(str(resources.files("crownlet.models.weights")))


def import_onnx_runtime() -> Any:
    """The module `onnxruntime`, its telemetry off. No other code imports it by itself.

    With telemetry on, its import writes a device id and a queue of events below ~/.cache and sends
    them to the vendor. `ORT_DISABLE_TELEMETRY` prevents all of it, and only before the first import
    (Privacy.md of the package, "Disabling Telemetry"); a value of the user's own does not count,
    since what is inspected here is private. New processes inherit it, and import it here as well.
    Builds for Windows before 1DS obey only the function.
    """
    os.environ["ORT_DISABLE_TELEMETRY"] = "1"
    import onnxruntime

    onnxruntime.disable_telemetry_events()
    return onnxruntime


def count_physical_cores() -> int:
    """Processor cores open to this process, hyper-threads counted once."""
    if not hasattr(os, "sched_getaffinity"):
        return os.cpu_count() or 1
    ours = os.sched_getaffinity(0)
    siblings = set()
    for cpu in ours:
        path = Path(f"/sys/devices/system/cpu/cpu{cpu}/topology/thread_siblings_list")
        try:
            siblings.add(path.read_text().strip())
        except OSError:
            return len(ours)
    return max(1, len(siblings))


def _parse_names(text: str) -> list[str]:
    """A metadata value that lists names: JSON, or plain letters."""
    try:
        value = parse_json(text)
    except ValueError:
        value = text
    return [str(item) for item in value] if isinstance(value, str | list) else []


def read_verified_files(folder: Path) -> dict[str, bytes]:
    """Both network files of `folder`, their SHA-256 checked against `checksums.sha256`."""
    if not folder.is_dir():
        raise ModelError(folder, "there is no such model folder.")
    sums = _read_checksums(folder / "checksums.sha256")
    files = {}
    for name in NETWORK_FILES:
        path = folder / name
        if name not in sums:
            raise ModelError(folder / "checksums.sha256", f"has no checksum for {name}.")
        try:
            data = read_small_file(path, MAX_NETWORK_BYTES)
        except FileNotFoundError:
            raise ModelError(path, "the model file is missing.") from None
        except OSError as error:
            raise ModelError(path, f"cannot be read ({error.strerror or error}).") from None
        if hashlib.sha256(data).hexdigest() != sums[name]:
            raise ModelError(path, "its checksum is not the one in checksums.sha256.")
        files[name] = data
    return files


def _read_checksums(path: Path) -> dict[str, str]:
    try:
        lines = read_small_file(path, MAX_CHECKSUMS_BYTES).decode("ascii").splitlines()
    except FileNotFoundError:
        raise ModelError(path, "the checksum file is missing.") from None
    except (OSError, UnicodeDecodeError) as error:
        raise ModelError(path, f"cannot be read ({error}).") from None
    pairs = (line.split(maxsplit=1) for line in lines if line.strip())
    return {pair[1].lstrip("*").strip(): pair[0].lower() for pair in pairs if len(pair) == 2}
