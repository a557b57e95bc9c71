"""Several clinics together."""

from typing import TYPE_CHECKING

from forecast._shipped import door

if TYPE_CHECKING:
    from forecast.sharing.pool import POOLED, STATE, JointRounds, load_evidence, pool_shares
    from forecast.sharing.share import ANSWER, KIND, QUESTION, answer_question, is_member, share_log


__getattr__, __dir__ = door(__name__, __file__)
