"""The part of this app in /api/v1/."""

from accounts.api.routes import routes
from breeding.api.colonies import ColonyEndpoint, ScoreEndpoint, TraitEndpoint
from breeding.api.queens import LineEndpoint, QueenEndpoint, SemenBatchEndpoint
from breeding.api.values import CrossEndpoint, EvaluationEndpoint

urlpatterns = routes(
    {
        "queens": QueenEndpoint,
        "lines": LineEndpoint,
        "semen-batches": SemenBatchEndpoint,
        "colonies": ColonyEndpoint,
        "traits": TraitEndpoint,
        "scores": ScoreEndpoint,
        "evaluations": EvaluationEndpoint,
        "crosses": CrossEndpoint,
    }
)
