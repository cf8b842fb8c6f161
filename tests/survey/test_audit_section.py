"""The report's section on what was declared, drawn and answered; its words are this project's."""

from __future__ import annotations

from dataclasses import replace

import made_surveys
import numpy as np

from crownlet.infer.run.survey_state import DesignChange
from crownlet.infer.survey.audit_section import bound_survey, build_audit_section
from crownlet.infer.survey.data import SurveyData
from crownlet.infer.survey.design import SurveyDesign


def text_of(survey: SurveyData) -> str:
    section = build_audit_section(survey, bound_survey(survey))
    return " ".join((*section.declared, section.drawn, section.unanswered_note, *section.readers))


def test_without_a_design_everything_is_called_exploratory() -> None:
    assert "every comparison here is exploratory" in text_of(made_surveys.small())


def test_a_design_its_checksum_and_its_changes_are_stated() -> None:
    survey = made_surveys.small()
    named = SurveyDesign("2026-11-30", ("ink_lost",), (("North", "South"),), 4, scrolls=3)
    change = DesignChange("2026-12-02", "audit", "4", "9")
    text = text_of(replace(survey, design=named.rename_sources(survey.codes), history=(change,)))
    assert named.sha256[:12] in text and "A with B" in text and "North" not in text
    assert "Declared on 2026-11-30" in text
    assert "Planned were 3 scrolls of each source; there are 2 of A and 2 of B." in text
    assert "2026-12-02: audit changed from 4 (declared) to 9." in text


def test_missing_answers_are_counted_bounded_and_their_assumption_named() -> None:
    survey = made_surveys.small(answers=made_surveys.ANSWERS)
    section = build_audit_section(survey, bound_survey(survey))
    assert "letters without an answer are like the letters of the same scroll" in (
        section.unanswered_note
    )
    rows = {row.source: row for row in section.unanswered}
    assert rows["A"].n_unanswered + rows["A"].n_cannot_tell == rows["A"].n_drawn - (
        rows["A"].n_labelled
    )
    every = made_surveys.small(answers=made_surveys.ANSWERS)
    assert every.questions is not None
    filled = np.where(every.questions.drawn, 0.0, np.nan)
    done = replace(every, questions=replace(every.questions, label=filled))
    assert not build_audit_section(done, bound_survey(done)).unanswered_note


def test_kappa_stands_in_the_report_and_one_reader_is_named_as_one() -> None:
    text = text_of(made_surveys.small(answers=made_surveys.ANSWERS))
    assert "Readers 1 and 2 both answered 1 question, 0 alike" in text and "Cohen's kappa" in text
    alone = tuple(one for one in made_surveys.ANSWERS if one.reader == 1)
    assert "One reader answered" in text_of(made_surveys.small(answers=alone))
