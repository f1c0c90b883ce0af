"""One run's re-analysis as a job: what it is fits into a message to another process or machine, and so does what comes of it."""

import hashlib
import time
from pathlib import Path

import msgspec

from nightturn.calibration.records import CalibrationRecord
from nightturn.errors import NightturnError, ObjectStoreError, StorageError
from nightturn.estimation.night_verdict import Night
from nightturn.fixture.release import basis_of
from nightturn.fixture.stream import accept_limits
from nightturn.model.nights import NightVerdict
from nightturn.model.rows import CYCLES, EVENTS, SLOW
from nightturn.model.verdicts import NOT_JUDGED
from nightturn.reanalysis.again import Again, Streams
from nightturn.reanalysis.methods import Method, calibration_for, method_of, versions
from nightturn.reanalysis.outcome import Compared, Outcome
from nightturn.reanalysis.recorded import Recorded, read_recorded
from nightturn.storage import paths, tree
from nightturn.storage.files import RealFiles
from nightturn.storage.manifest import Manifest
from nightturn.storage.reader import Run
from nightturn.storage.reanalysed import NIGHT_VERDICT, find_result, folder_of, write_result
from nightturn.storage.stored import stored_at
from nightturn.version import VERSION
from nightturn.world import ReadFiles

CODE = 3
"""Raised when the same samples give another result for a reason that no figure's method version shows."""


class Job(msgspec.Struct, frozen=True):
    """A run to be made again.

    Attributes:
        root: its data root as every worker reaches it, or `s3://BUCKET/PREFIX`.
        out: the folder below which the result lies; empty for the data root.
        endpoint: of an S3 server.
    """

    root: str
    fixture: str
    run: str
    method: str
    out: str = ""
    endpoint: str = ""


def carry_out(job: Job) -> Outcome:
    """Make the figures of one run again, or find that they are there; an error becomes the outcome's problem.

    Needs memory for one row group of samples and the run's cycles, however long the run is.
    """
    began_s = time.process_time()
    try:
        outcome = _carried_out(job)
    except NightturnError as error:
        outcome = failed(job, str(error), storage=isinstance(error, StorageError))
        return msgspec.structs.replace(outcome, not_whole=isinstance(error, ObjectStoreError))
    except OSError as error:
        return failed(job, f"{job.root}: {error.strerror or error}", storage=True)
    return msgspec.structs.replace(outcome, cpu_s=time.process_time() - began_s)


def failed(job: Job, problem: str, *, storage: bool) -> Outcome:
    """Nothing came of a job."""
    return Outcome(
        root=job.root, fixture=job.fixture, run=job.run, method=job.method, problem=problem, storage=storage
    )


def _carried_out(job: Job) -> Outcome:
    method = method_of(job.method)
    files = stored_at(job.root, job.endpoint)
    run = Run(files, job.fixture, job.run)
    recorded = read_recorded(run)
    calibration = calibration_for(files, recorded.manifest, recorded.settings.calibration, method)
    folder = folder_of(files, method.name, job.fixture, job.run)
    if folder is None:
        gone = run.cleared.get("raw")
        why = "retention has cleared its raw samples" if gone is not None else "no samples of it are sealed"
        raise StorageError(f"run {job.run}: {why}")
    key = key_of(files, recorded.manifest, calibration, method)
    found = find_result(_results(job), folder, key)
    if found is not None:
        path, facts = found
        outcome = msgspec.json.decode(facts["outcome"], type=Outcome)
        return msgspec.structs.replace(outcome, root=job.root, out=job.out, path=path, already=True)
    return _made(job, run, recorded, calibration, folder, key)


def _results(job: Job) -> RealFiles:
    """Where results lie."""
    return RealFiles(Path(job.out or job.root))


def _made(
    job: Job, run: Run, recorded: Recorded, calibration: CalibrationRecord, folder: str, key: str
) -> Outcome:
    if run.stored.local is None:
        run.check_samples()  # what is absent of a data root shows in the sums
    again = Again(recorded, Streams(recorded, calibration))
    for chunk in run.chunks(paths.RAW):
        again.chunk(chunk)
    again.close()
    same = calibration == recorded.settings.calibration
    verdict, purposes = _verdict(recorded, again)
    cycles = [
        msgspec.structs.replace(each, purpose=word) for each, word in zip(again.cycles, purposes, strict=True)
    ]
    outcome = _outcome(job, recorded, again, verdict, values=same)
    facts = {
        "fixture": job.fixture,
        "run": job.run,
        "method": job.method,
        "key": key,
        "methods": versions(),
        "calibration_id": calibration.id,
        "host_version": VERSION,
        "outcome": msgspec.json.encode(outcome).decode(),
        NIGHT_VERDICT: msgspec.json.encode(verdict).decode(),
    }
    path = write_result(_results(job), folder, cycles, facts)
    return msgspec.structs.replace(outcome, path=path)


def _outcome(job: Job, recorded: Recorded, again: Again, verdict: NightVerdict, *, values: bool) -> Outcome:
    compared = Compared(values=values)
    for cycle in again.cycles:
        compared.cycle(cycle, recorded.cycles.get((cycle.epoch, cycle.index_first)))
    compared.lacking(recorded.cycles, again.cycles, again.digests)
    stored = recorded.manifest.night_verdict
    return Outcome(
        root=job.root,
        out=job.out,
        fixture=job.fixture,
        run=job.run,
        method=job.method,
        cycles=len(again.cycles),
        samples=again.samples,
        sums_equal=compared.sums_equal,
        sums_differ=tuple(compared.sums_differ),
        not_stored=compared.not_stored,
        figures_equal=compared.figures_equal,
        figures_differ=tuple(compared.figures_differ),
        methods=tuple(compared.methods.values()),
        left_out=tuple(again.left_out),
        verdict="" if verdict.word == NOT_JUDGED else verdict.word,
        verdict_stored="" if stored is None else stored.word,
    )


def _verdict(recorded: Recorded, again: Again) -> tuple[NightVerdict, list[str]]:
    """What all cycles say together, by the rule of the night, and what the run was for up to each."""
    accept, basis = accept_limits(recorded.settings.variant), basis_of(recorded.settings)
    planned, night = recorded.settings.fixture.plan.cycles, Night()
    purposes: list[str] = []
    for cycle in again.cycles:
        night.add(cycle, accept)
        purposes.append(night.verdict(accept, planned, basis).purpose)
    for sentence in again.left_out:
        night.lose(sentence)
    return night.verdict(accept, planned, basis), purposes


def key_of(files: ReadFiles, manifest: Manifest, calibration: CalibrationRecord, method: Method) -> str:
    """What a result depends on, as 16 hex digits: the files by the checksums in their names, settings, calibration and methods."""
    digest = hashlib.sha256(f"{CODE}\n{method.name}\n{versions()}\n".encode())
    texts = (manifest.rig, manifest.variant, manifest.card, manifest.calibration, manifest.rig_record)
    verdict = "" if manifest.night_verdict is None else manifest.night_verdict.word
    for text in (*texts, *(each.sheet for each in manifest.sheets), verdict):
        digest.update(len(text).to_bytes(4, "little") + text.encode())
    digest.update(msgspec.json.encode(calibration))
    for dataset in (paths.RAW, SLOW, EVENTS, CYCLES):
        folder = tree.run_folder(files, dataset, manifest.fixture, manifest.run)
        names = [] if folder is None else [name.text for _, name in tree.chunks(files, folder.path)]
        digest.update("\n".join([dataset, *names, ""]).encode())
    return digest.hexdigest()[:16]
