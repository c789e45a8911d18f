"""What codes and figures are in words: sentences for a person, made here and nowhere else.

For the command line, the report and the public functions; nothing may compare or read back what is made here.
Imports models.
"""

from huewright.models.cautions import Caution
from huewright.models.coded import Coded
from huewright.words import cards as _cards  # noqa: F401 - teaches its sentences, as the next does
from huewright.words import drafted as _drafted  # noqa: F401
from huewright.words import scene as _scene  # noqa: F401
from huewright.words.cautions import in_order
from huewright.words.clip import clip_words
from huewright.words.known import known_words, percent_unsure
from huewright.words.methods import method_note
from huewright.words.reasons import number_words, reason_words, thirds
from huewright.words.repeated import repeat_words
from huewright.words.sentence import counted, no_answer_words, percent_words, sentence
from huewright.words.verdict import basis_words, display_words, subject_words, verdict_heading, verdict_words

__all__ = ["Caution", "Coded", "basis_words", "clip_words", "counted", "display_words", "in_order", "known_words",
           "method_note", "no_answer_words", "number_words", "percent_unsure", "percent_words", "reason_words",
           "repeat_words", "sentence", "subject_words", "thirds", "verdict_heading", "verdict_words"]
