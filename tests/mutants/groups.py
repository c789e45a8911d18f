"""Which modules are changed, and which tests must notice: those that can be run for each of a hundred changes."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Group:
    """``tests`` are pytest's arguments, what notices soonest first; ``more`` what else might notice, and is tried with
    ``--thorough``. ``kernels``: compiled code is changed. ``bare``: nothing of ours is imported before a child is
    forked, since what is changed would be among it."""

    modules: tuple[str, ...]
    tests: tuple[str, ...]
    more: tuple[str, ...] = ()
    kernels: bool = False
    bare: bool = False


SECTORS, REFUSALS, SURE, DECLARED = (f"tests/harness/test_{name}.py::test_" for name in (
    "solve_sectors", "solve_refusals", "solve_uncertainty", "declared_footage_contradicted"))
GRADING, SURVEY = (f"tests/harness/test_{name}.py::test_" for name in ("frame_grading", "take_survey"))
PIECES, GRADED = "tests/harness/test_solver_pieces.py", "tests/harness/test_grading_pieces.py"
CURVES = "tests/kernels/test_cubic_slopes.py"
RECORDED = "tests/traced/test_recorded_takes.py"
GROUPS = {
    "solver": Group(
        tuple(f"huewright.solver.{name}" for name in (
            "model", "sectors", "fit", "hues", "evidence", "chain", "intervals")),
        (PIECES, f"{SECTORS}hidden_chips_leave_the_rest_solved_and_are_named",
         *(f"{SECTORS}every_kind_of_footage_lands[{kind}]" for kind in ("log", "display picture", "for PQ")),
         f"{SECTORS}one_chip_leaves_the_far_side_alone",
         f"{SECTORS}two_chips_at_one_hue_share_a_control",
         f"{SECTORS}scrambled_hues_are_held_at_the_bound_and_said",
         *(REFUSALS + name for name in (
             "a_clipped_bar", "a_bar_lost_to_a_reflection_is_left_out_instead", "too_few_bars", "no_chips",
             "a_clipped_chip_is_not_used", "a_picture_without_colour", "light_that_leaves_only_one_axis_of_colour",
             "light_with_next_to_no_blue")),
         f"{SECTORS}left_out_error_is_what_leaving_it_out_does[sectors]",
         f"{SURE}the_answer_moves_with_the_reading_as_said[sectors-middle]"),
        ("tests/harness/test_solve_sectors.py", "tests/harness/test_solve_in_part.py",
         "tests/harness/test_solve_uncertainty.py", "tests/harness/test_through_look.py",
         "-k", "not thread_count and not fold and not random_starts and not every_number and not (moves and not "
         "matrix-sectors-red) and not scatter")),
    "declaration": Group(
        ("huewright.solver.declaration",),
        (PIECES, f"{DECLARED}a_wrong_declaration_is_refused_until_someone_insists[0.0-recorded2-declared2]",
         f"{DECLARED}flare_and_exposure_alone_are_not_called_wrong[-2.0-0.02]",
         f"{DECLARED}a_thick_veil_is_said_but_not_refused",
         f"{DECLARED}camera_log_taken_for_a_picture_is_doubted_without_references",
         f"{DECLARED}beside_two_bars_the_other_patches_tell_what_the_bars_let_pass",
         f"{DECLARED}a_print_that_is_a_little_off_is_not_called_wrong",
         f"{DECLARED}no_curve_is_named_to_those_who_named_none[linear]",
         f"{DECLARED}a_cameras_own_rendering_is_doubted_not_refused",
         f"{DECLARED}a_card_without_references_is_not_checked",
         f"{DECLARED}a_wrong_declaration_is_refused_until_someone_insists[-0.8-recorded5-declared5]",
         f"{DECLARED}the_curve_that_was_recorded_is_named_to_those_who_named_a_curve",
         f"{DECLARED}the_range_that_was_recorded_is_named"),
        ("tests/harness/test_declared_footage_contradicted.py", "tests/harness/test_declare_footage.py")),
    "clipping": Group(
        ("huewright.finding.clip",),
        (GRADED, f"{GRADING}a_plateau_below_full_scale_is_clipping_and_is_said_in_code_values",
         f"{GRADING}crushed_blacks_above_code_zero_are_clipping",
         f"{GRADING}a_drawn_picture_without_noise_is_never_called_clipped",
         f"{GRADING}a_brighter_thing_in_the_picture_shows_that_white_is_no_plateau",
         f"{GRADING}noise_over_the_end_of_the_code_range_alone_is_no_reason",
         "tests/harness/test_clipping_of_half_floats.py"),
        ("tests/harness/test_frame_grading.py", "tests/harness/test_clipping_of_half_floats.py",
         "tests/harness/test_take_survey.py")),
    "light": Group(
        tuple(f"huewright.finding.{name}" for name in ("veil", "joint", "light")),
        (GRADED, RECORDED,
         *(f"{GRADING}no_patch_with_a_reflection_is_kept[{case}]" for case in ("at0-0.14", "at2-0.2"))),
        (RECORDED, "tests/harness/test_frame_grading.py", "tests/harness/test_frame_choice.py")),
    "grading": Group(
        ("huewright.finding.grade",),
        (f"{GRADING}a_clean_frame_has_no_reason_against_it_and_means_within_half_a_per_cent",
         f"{GRADING}noise_over_the_end_of_the_code_range_alone_is_no_reason",
         *(f"{GRADING}no_patch_with_a_reflection_is_kept[{case}]" for case in ("at0-0.14", "at1-0.08", "at2-0.2")),
         f"{GRADING}a_finger_over_a_patch_excludes_it_and_nothing_else[sage]",
         f"{GRADING}no_smeared_patch_that_is_kept_has_its_neighbours_in_it[10]",
         f"{SURVEY}an_unusable_take_says_what_to_do", RECORDED),
        ("tests/harness/test_frame_grading.py", "tests/harness/test_frame_choice.py",
         "tests/harness/test_take_survey.py")),
    "hue": Group(
        ("huewright_kernels.ops.hue",),
        (CURVES, "tests/kernels/test_kernel_accuracy.py", "tests/kernels/test_every_operation.py",
         "tests/kernels/test_kernel_special_values.py", "-k", "hue or neutrals or luma or sectors"), kernels=True),
    "dpx": Group(("huewright.frames.dpx",), ("tests/external/test_dpx_payload_against_openimageio.py",),
                 ("tests/external/test_dpx_payload_against_openimageio.py", "tests/harness/test_frame_pictures.py",
                  "tests/harness/test_damaged_pictures.py", "tests/harness/test_what_survives.py"), bare=True),
    "serving": Group(("huewright.steps.scene.serving", "huewright.frames.timecode"),
                     ("tests/harness/test_scene_serving.py", "tests/external/test_time_codes.py"), bare=True),
    "scene file": Group(("huewright.models.scene", "huewright.models.scene_file"),
                        ("tests/harness/test_scene_files.py",), bare=True),
    "slopes": Group(("huewright_kernels.cubic",), (CURVES,), kernels=True),
}
