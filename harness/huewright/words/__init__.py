"""What codes and figures are in words: sentences for a person, made here and nowhere else.

For the command line and the report only; nothing may compare or read back what is made here. Imports models.
"""

from huewright.models.coded import Coded
from huewright.words.cautions import method_note
from huewright.words.reasons import number_words, reason_words, thirds
from huewright.words.sentence import percent_words, sentence

__all__ = ["Coded", "method_note", "number_words", "percent_words", "reason_words", "sentence", "thirds"]
