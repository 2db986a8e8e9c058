"""One run of one job, from the first look at the far copy to the commit.

    R1  look at the far folder: whose it is, which runs it holds
    R2  make the catalogue tell the truth about it
    R3  scan the folder and compare                              (`find_changes`)
    R4  recognise what only moved                                (`find_changes`)
    R5  let the guard look, before anything is sent              (`find_changes`)
    R6  send                                                     (`send`)
    R7  commit: the listing, then the catalogue                  (`commit`)

Knows neither the place nor the layout it is given, and writes no history: it fills in a report.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

from otherroof.copying.commit import commit_run
from otherroof.copying.compare.catalogue_repair import (
    CheckedCatalogue,
    JobStateFiles,
    KnownDamage,
    check_catalogue,
    damage_set_aside,
)
from otherroof.copying.compare.find_changes import ChangeFinder, CopyRules
from otherroof.copying.compare.plan import RunPlan
from otherroof.copying.context import RunContext
from otherroof.copying.home.read import SourceFolder
from otherroof.copying.reconnect import SteadyConnection
from otherroof.copying.report import RunReport
from otherroof.copying.send.send import PlanSender
from otherroof.far_copy.keeper import Keeper
from otherroof.far_copy.run_ids import next_run_id
from otherroof.far_copy.view import FarCopyView


@dataclass(frozen=True, slots=True)
class RunRequest:
    """What is to be copied and how: with `dry` it is only looked at. `files` are the job's own in the state folder.
    `accept` is asked with the plan after the guard, before anything is sent, and raises if that is not to be."""

    rules: CopyRules
    files: JobStateFiles
    dry: bool = False
    damage: KnownDamage | None = None
    accept: Callable[[RunPlan], None] = lambda plan: None


class Run:
    """Carries out one run. `report` is filled in as it goes, also if it ends with an error."""

    def __init__(
        self, request: RunRequest, connection: SteadyConnection, context: RunContext, report: RunReport
    ) -> None:
        self._request = request
        self._connection = connection
        self._context = context
        self._clock = context.clock
        self._report = report
        check = partial(context.check_stop, request.rules.job)
        self._source = SourceFolder(request.rules.folder, self._clock, check)

    def carry_out(self) -> None:
        """All steps. Raises Held, RunCut, or whatever else ended the run."""
        begun = self._clock.monotonic()
        try:
            with damage_set_aside(self._request.rules.job):
                checked = self._begin()
                try:
                    self._carry_out(checked, begun)
                finally:
                    checked.catalogue.close()
        finally:
            self._report.seconds.total = self._clock.monotonic() - begun
            self._source.close()

    def _carry_out(self, checked: CheckedCatalogue, begun: float) -> None:
        plan = RunPlan(self._request.files.notes)
        try:
            self._look(checked, plan)
        except BaseException:
            self._drop_plan(checked, plan)
            raise
        finally:
            self._report.seconds.scan = self._clock.monotonic() - begun
        if self._request.dry:
            self._drop_plan(checked, plan)
            return
        try:
            if not plan.is_empty():
                self._send(checked, plan)
            self._commit(checked, plan)
        except BaseException:
            plan.close()  # the next run goes on with these notes
            raise
        plan.discard()
        # The run counts; what a lost connection leaves over here is removed by the next one.
        self._connection.try_once(lambda keeper, view: keeper.tidy(view, self._report.run))

    # -- R1, R2 --

    def _begin(self) -> CheckedCatalogue:
        self._connection.open()
        remarks: list[str] = []  # kept if the connection breaks: what was set aside is not found damaged again

        def begin(keeper: Keeper, view: FarCopyView) -> CheckedCatalogue:
            if view.last_seen >= self._report.run:
                old, self._report.run = self._report.run, next_run_id(self._clock.now(), view.last_seen)
                self._context.renamed(old, self._report.run)
            request = self._request
            return check_catalogue(request.files, keeper, view, self._context, remarks, request.damage)

        checked = self._connection.with_retries(begin)
        self._report.note_remarks(dict.fromkeys(checked.remarks))
        return checked

    # -- R3, R4, R5 --

    def _look(self, checked: CheckedCatalogue, plan: RunPlan) -> None:
        self._context.progress.begin("comparing", checked.catalogue.facts.files)
        plan.note_beginning(self._report.run, checked.catalogue.facts.run, self._clock.now())
        for path, numbers, part in checked.parts:
            plan.half_sent.take_over(path, numbers, part)
        finder = ChangeFinder(self._request.rules, checked, self._source, self._context)
        finder.find(plan, self._report)
        try:
            finder.guard(plan, exact=self._request.dry)
            self._request.accept(plan)
        finally:
            totals = plan.totals()
            self._report.note_totals(totals)
            # Told from what is missing, not from what was sent: content that had to be sent twice is there but once.
            self._report.bytes.to_send = totals.fresh_bytes - plan.safe_bytes()
        plan.commit()

    def _drop_plan(self, checked: CheckedCatalogue, plan: RunPlan) -> None:
        """Drop the plan, but keep the list of files that an earlier run had half sent."""
        if checked.parts:
            plan.keep_half_sent_only()
        else:
            plan.discard()

    # -- R6 --

    def _send(self, checked: CheckedCatalogue, plan: RunPlan) -> None:
        begun = self._clock.monotonic()
        totals = plan.totals()
        files = totals.new + totals.changed + totals.moved
        self._context.progress.begin("sending", files, self._report.bytes.to_send)
        sender = PlanSender(self._report.run, plan, self._source, self._request.files.chunks, self._context)
        sender.prepare(checked)
        self._connection.with_retries(sender.remove_litter)
        try:
            self._connection.with_retries(sender.send)
        finally:
            self._report.seconds.send = self._clock.monotonic() - begun
            self._report.bytes.sent = sender.totals.bytes
            self._report.note_remarks(sender.remarks)
            self._report.note_problems(plan.troubles())
            if self._report.nature is not None:
                endings = self._report.nature.endings_changed
                self._report.nature = replace(sender.totals.sampler.signs(), endings_changed=endings)
            self._report.note_totals(plan.result())

    # -- R7 --

    def _commit(self, checked: CheckedCatalogue, plan: RunPlan) -> None:
        begun = self._clock.monotonic()
        self._context.progress.begin("writing its list")
        files, catalogue = self._request.files, checked.catalogue
        remarks = commit_run(self._report.run, self._connection, files, catalogue, plan, self._source, self._clock)
        self._report.note_remarks(remarks)
        self._report.seconds.commit = self._clock.monotonic() - begun
