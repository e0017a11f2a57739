"""One run: decks through a chain into a run folder."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from deckwright.engine.closing.bearing import Overdone, all_failed, deck_overdone, overdone
from deckwright.engine.closing.closing import close_run
from deckwright.engine.closing.diagnose import better_reading
from deckwright.engine.closing.ending import Ending
from deckwright.engine.closing.failedpage import write_failed_page
from deckwright.engine.closing.folder import run_folder
from deckwright.engine.passes.accounts import Count
from deckwright.engine.passes.arriving import know_decks, use_folder
from deckwright.engine.passes.deckfile import (
    must_be_a_deck,
    must_be_unchanged,
    must_lie_outside,
    stamp_of,
)
from deckwright.engine.passes.executors import Executor, InlineExecutor, ProcessExecutor
from deckwright.engine.passes.groups import large_groups, stretches
from deckwright.engine.passes.parts import Draft, Joiner
from deckwright.engine.passes.runs import check_runs, run_files, run_tasks, tell_lacking
from deckwright.engine.passes.sampling import Sampler
from deckwright.engine.passes.scans import check_states, resumed_tasks
from deckwright.engine.passes.sealed import seal_of
from deckwright.engine.passes.signals import interruptible
from deckwright.engine.passes.tasks import (
    CARDS_A_TRAY,
    RangeTasks,
    ReasonKey,
    Recipe,
    Result,
    Task,
    bench_folder,
    drafts_folder,
    leading_to,
)
from deckwright.engine.passes.worker import Worker
from deckwright.engine.planning.given import GivenDeck, decks_given
from deckwright.engine.planning.limits import Limits, Sizes, limits, sized
from deckwright.engine.planning.naming import name_cards
from deckwright.engine.planning.personal import KEY_FILE
from deckwright.engine.planning.plan import Pass, Plan, load_plan
from deckwright.engine.planning.written import heads_of
from deckwright.errors import AccountError, StageError, TooManyReturnedError, UnreadableDeckError
from deckwright.plugin.stages import SinkStage
from deckwright.plugin.values import Bench, DeckPart, Survey

Progress = Callable[[str, int, int], None]
"""Told what is being done, how many cards are through, and how many there are."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a run came to."""

    folder: Path
    cards: int
    delivered: int
    returned: int
    set_aside: int
    control: Mapping[str, object]


def quiet(what: str, done: int, total: int) -> None:
    """Say nothing."""


def run_job(
    job: Path,
    decks: Sequence[Path] | Mapping[str, Path | Sequence[Path]],
    out: Path,
    *,
    workers: int | None = None,
    replaced: Mapping[str, str] | None = None,
    executor: Executor | None = None,
    progress: Progress = quiet,
    sizes: Sizes | None = None,
    names: Sequence[str] | None = None,
    plan: Plan | None = None,
) -> Outcome:
    """Run decks through the chain of a job.

    Args:
        job: the job file.
        decks: the decks, in the order in which their cards are numbered; for a job of several named
            decks, the path or paths of each by its name.
        out: the run folder to make; it must not exist.
        workers: worker processes; None = one a core, and none for a small deck.
        replaced: named files used in place of those of the job.
        executor: runs the tasks; None = chosen by the size of the decks.
        progress: told how far the run is.
        sizes: how the cards are cut; None = by the memory limit.
        names: what the decks are called in outputs, safe as file names; None = their own names.
            For named decks, in the order of the job.
        plan: the job, loaded by the caller; None = it is loaded here.

    Raises:
        DeckwrightError: nothing is delivered; the message says why.
    """
    plan = plan or load_plan(job, replaced)
    given = decks_given(plan, decks, names)
    for deck in given:
        must_lie_outside(out, [deck.path], deck.medium)
    with interruptible(), run_folder(out) as work:
        run = _Run(plan, given, work, workers, progress, sizes)
        try:
            ending = run.go(executor)
            control = close_run(ending)
        except TooManyReturnedError as error:
            error.page = write_failed_page(run.so_far(), error, out)
            raise
        except (StageError, AccountError) as error:
            name_cards(error, run.parts)
            if plan.personal and isinstance(error, StageError):
                error.keep_back()
            raise
        for step in plan.steps:
            counts = dict(ending.counts[step.number].as_dict())
            plan.registry.observe(
                "deckwright_stage_finished", job=plan.name, stage=step.label, counts=counts
            )
    plan.registry.observe(
        "deckwright_run_finished", job=plan.name, folder=str(out), counts=control["equation"]
    )
    return Outcome(
        out,
        ending.cards,
        ending.counts[plan.steps[-1].number].left,
        sum(count.returned for count in ending.counts.values()),
        sum(count.set_aside for count in ending.counts.values()),
        control,
    )


@dataclass(slots=True)
class _Run:
    plan: Plan
    decks: list[GivenDeck]
    work: Path
    workers: int | None
    progress: Progress
    sizes: Sizes | None
    parts: list[DeckPart] = field(default_factory=list)
    surveys: list[Survey] = field(default_factory=list)
    results: list[list[Result]] = field(default_factory=list)
    counts: dict[int, Count] = field(default_factory=dict)
    deck_counts: dict[tuple[int, str], Count] = field(default_factory=dict)
    joiners: dict[str, Joiner] = field(default_factory=dict)
    hashes: dict[str, str] = field(default_factory=dict)
    reasons: dict[ReasonKey, int] = field(default_factory=dict)

    done: list[Result] = field(default_factory=list)
    """Results of the pass that is under way."""

    @property
    def cards(self) -> int:
        return sum(part.cards for part in self.parts)

    def so_far(self) -> Ending:
        """Return what a run that is stopped has come to."""
        if self.done and (not self.results or self.results[-1] is not self.done):
            self.results.append(self.done)
        return self._ending()

    def go(self, executor: Executor | None) -> Ending:
        stamps = [stamp_of(deck.path) for deck in self.decks]
        cards_a_task = self._survey()
        self.plan.seal = seal_of(self.plan, self.parts)
        know_decks(self.plan, self.parts)
        told = {"decks": [part.name for part in self.parts], "cards": self.cards}
        self.plan.registry.observe("deckwright_run_started", job=self.plan.name, **told)
        width = max(survey.width for survey in self.surveys)
        effort = sum(part.cards * self.plan.medium_of(part).effort for part in self.parts)
        limit = sized(limits(self.plan.memory, width, effort, self.workers), self.sizes)
        if executor is None:
            executor = InlineExecutor() if limit.workers == 1 else ProcessExecutor(limit.workers)
        recipe = Recipe(
            str(self.plan.path),
            self.plan.replaced,
            str(self.work),
            tuple(self.parts),
            self.sizes.cards_a_tray if self.sizes else CARDS_A_TRAY,
            limit.cards_a_range,
            self.plan.seal.key,
        )
        executor.start(recipe, self.plan)
        try:
            self._prepare()
            self._open_outputs()
            for todo in self.plan.passes:
                self._pass(todo, executor, recipe, replace(limit, cards_a_task=cards_a_task))
        finally:
            executor.close()
            for joiner in self.joiners.values():
                joiner.close()
        for deck, stamp in zip(self.decks, stamps, strict=True):
            must_be_unchanged(deck.path, deck.name, stamp)
        return self._ending()

    def _survey(self) -> int:
        """Count the cards of every deck and cut them into spans; return the cards a task."""
        first = 1
        source = self.plan.steps[0]
        width = source.stage.outline(source.before).width or 80
        cards_a_task = limits(self.plan.memory, width, 0, 1).cards_a_task
        if self.sizes:
            cards_a_task = self.sizes.cards_a_task
        folder = bench_folder(self.work, source.number)
        folder.mkdir(parents=True, exist_ok=True)
        use_folder(self.plan, folder)
        for deck in self.decks:
            must_be_a_deck(deck.path, deck.medium)
            try:
                survey = deck.medium.survey(deck.path, cards_a_task)
            except StageError as error:
                if not isinstance(error.__cause__, PermissionError):
                    raise
                raise UnreadableDeckError(str(deck.path), "may not be read by this user") from error
            self.surveys.append(survey)
            path = str(deck.path.resolve())
            self.parts.append(
                DeckPart(deck.name, path, first, survey.cards, deck.of, deck.file, survey.width)
            )
            first += survey.cards
        return cards_a_task

    def _prepare(self) -> None:
        for step in self.plan.steps:
            folder = bench_folder(self.work, step.number)
            step.stage.prepare(Bench(folder, self.plan.memory))

    def _open_outputs(self) -> None:
        for step in self.plan.steps:
            stage = step.stage
            completed = stage.completes() if isinstance(stage, SinkStage) else ()
            for name, head in heads_of(stage).items():
                if name in completed:
                    self.joiners[name] = Draft(drafts_folder(self.work) / name)
                else:
                    self.joiners[name] = Joiner(self.work / "run" / "out" / name, head)

    def _pass(self, todo: Pass, executor: Executor, recipe: Recipe, limit: Limits) -> None:
        tasks, alone = self._tasks(todo, limit)
        if todo.routes:
            sampler = Sampler(self.plan, recipe, self.surveys)
            ranges = -(-self.cards // limit.cards_a_task)
            tasks = leading_to(tasks, sampler.cuts(todo, tasks, ranges))
        results = self.done = []
        total = sum(r.left for r in self.results[-1]) if self.results else self.cards
        done = 0
        run = self._run_all(tasks, alone, executor, recipe)
        for task, result in zip(tasks, run, strict=True):
            if task.digest:
                self.hashes[task.digest] = result.sha256
                continue
            results.append(result)
            self._take(result, task)
            done += result.arrived
            self.progress(_title(todo), done, total)
        self._check_order(todo, results)
        if todo.scan:
            befores = [task.before for task in tasks]
            check_states(todo.scan, befores, [result.reached for result in results])
        read = (task for task in tasks if not task.digest)
        self._bear(self._too_many(todo), zip(read, results, strict=True))
        self._drop_spill()
        self.results.append(results)

    def _run_all(
        self, tasks: Sequence[Task], alone: frozenset[int], executor: Executor, recipe: Recipe
    ) -> Iterator[Result]:
        """Run tasks; those that take memory for several run here while nothing else does."""
        for first, after, is_alone in stretches(len(tasks), alone):
            if is_alone:
                yield Worker(recipe, self.plan, keeps_parts=True).run(tasks[first])
            else:
                yield from executor.run(tasks[first:after] if alone else tasks)

    def _too_many(self, todo: Pass) -> Overdone | None:
        found = overdone(self.plan.steps, self.counts, self.cards, ended=True)
        found = found or deck_overdone(self.plan, self.deck_counts, self.parts, ended=True)
        if found is None and todo.last:
            found = all_failed(self.plan.steps, self.counts, self.cards)
        return found

    def _digests(self) -> Iterator[str]:
        yield from (part.path for part in self.parts)
        files = (path for name, path in self.plan.files.items() if name != KEY_FILE)
        yield from sorted({str(path) for path in files if path.is_file()})

    def _take(self, result: Result, task: Task) -> None:
        for stage, count in result.counts.items():
            self.counts.setdefault(stage, Count()).add(count)
        for of_deck, count in result.deck_counts.items():
            self.deck_counts.setdefault(of_deck, Count()).add(count)
        for key, amount in result.reasons.items():
            self.reasons[key] = self.reasons.get(key, 0) + amount
        for part in result.parts:
            self.joiners[part.file].add(part)
        found = overdone(self.plan.steps, self.counts, self.cards, ended=False)
        found = found or deck_overdone(self.plan, self.deck_counts, self.parts, ended=False)
        self._bear(found, [(task, result)])

    def _bear(self, found: Overdone | None, done: Iterable[tuple[Task, Result]]) -> None:
        """Stop where more cards failed than the job bears; done: tasks with their results."""
        if found is None:
            return
        number = found.step.number
        task, _ = max(done, key=lambda pair: pair[1].count(number).returned)
        deck = task.deck if task.span else 0
        if found.deck and self.parts[deck].of != found.deck:
            deck = next(n for n, part in enumerate(self.parts) if part.of == found.deck)
            task = replace(task, span=None)
        span = task.span or self.surveys[deck].spans[0]
        sample = (self.parts[deck], span)
        hint = better_reading(self.plan, found.step, sample, self.reasons)
        raise TooManyReturnedError(found.stages, found.returned, found.seen, found.limit, hint)

    def _tasks(self, todo: Pass, limit: Limits) -> tuple[Sequence[Task], frozenset[int]]:
        """Return the tasks of a pass, and which of them must run alone.

        Raises:
            GroupTooLargeError: one would take more memory than there is.
            GroupReturnsError: a group comes again once it was left.
        """
        if todo.number == 1:
            return list(self._span_tasks()), frozenset()
        before = self.results[-1]
        if todo.runs is None:
            tell_lacking(self.plan, todo, self.results, self.work, [])
            if todo.sort is None:
                return resumed_tasks(todo, before, [each.blocks for each in before]), frozenset()
            ranges = RangeTasks(todo.number, [b for result in before for b in result.blocks])
            return ranges, large_groups(self.plan, todo, ranges, limit)
        found = run_tasks(self.plan, todo, before, limit)
        check_runs(self.plan, todo, before, found, self.parts)
        tell_lacking(self.plan, todo, self.results, self.work, run_files(before, found))
        return resumed_tasks(todo, before, found.blocks), found.alone

    def _span_tasks(self) -> Iterator[Task]:
        # first, since each takes as long as many spans
        yield from (Task(1, -1, digest=path) for path in self._digests())
        index = 0
        for deck, survey in enumerate(self.surveys):
            for span in survey.spans:
                yield Task(1, index, deck=deck, span=span)
                index += 1

    def _check_order(self, todo: Pass, results: list[Result]) -> None:
        if todo.sort is None:
            return
        before = sum(result.digest_out for result in self.results[-1]) % 2**64
        after = sum(result.digest_in for result in results) % 2**64
        tallies = self.counts.setdefault(todo.sort.number, Count()).tallies
        tallies["digest_before"], tallies["digest_after"] = before, after
        moved = sum(result.left for result in self.results[-1])
        if before != after or moved != self.counts[todo.sort.number].arrived:
            what = f"changed the digest of all cards from {before:016x} to {after:016x}"
            raise AccountError(todo.sort.label, todo.sort.origin, what, [])

    def _drop_spill(self) -> None:
        """Remove the work files of the pass before."""
        before = self.results[-1] if self.results else []
        for file in {block.file for result in before for block in result.blocks}:
            Path(file).unlink(missing_ok=True)

    def _ending(self) -> Ending:
        outputs = {name: (j.rows, j.size, j.close()) for name, j in self.joiners.items()}
        return Ending(
            self.plan,
            self.work,
            self.parts,
            self.counts,
            self.results,
            outputs,
            self.hashes,
            self.reasons,
            {name: j for name, j in self.joiners.items() if isinstance(j, Draft)},
            deck_counts=self.deck_counts,
        )


def _title(todo: Pass) -> str:
    kinds = [todo.sort.kind] if todo.sort else []
    return ", ".join(kinds + [step.kind for step in todo.steps])
