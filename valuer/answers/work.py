"""What to do, on one machine and on all."""

from pydantic import Field

from valuer.advice.work.bench_documents import BenchPlan, BenchRanking
from valuer.advice.work.documents import WorkList
from valuer.answers import Answer


class WorkLists(Answer):
    """The answer to: what to look at, what to do, in which order, when to stop?"""

    work_lists: tuple[WorkList, ...] = Field(description="one per machine, in the order asked")


class BenchRankings(Answer):
    """The answer to: which machine earns most for the next free hour?"""

    bench_ranking: BenchRanking


class BenchPlans(Answer):
    """The answer to: which plans on which machines this week? The ranking by return per hour stands beside."""

    bench_plan: BenchPlan
    bench_ranking: BenchRanking
