
int loadlearn_look_up(struct loadlearn_step *step, real grade_percent, real speed_m_s,
    struct loadlearn_settings *settings)
{
    struct load_draw draws[@DRAWS@];
    const struct output *now = &step->outputs[0];
    const int asked = grade_percent >= @GRADE_LOW@ && grade_percent <= @GRADE_HIGH@ &&
        speed_m_s >= @SPEED_LOW@ && speed_m_s <= @SPEED_HIGH@;
    step->load_known = @LOAD_KNOWN@(step->load_known, now->mass_kg, now->mass_sd_kg);
    settings->load_known = step->load_known > R(0.5);
    settings->power_retention = settings->full_share_time_s = settings->economy = R(0.0);
    if (asked && settings->load_known) {
        const struct tuple_rrr found = @SETTINGS_FOR@(now, draws, &the_grid, &the_rig_belief, the_points,
            grade_percent, speed_m_s, step->intervals.memory[0].density_kg_m3);
        settings->power_retention = found.at0;
        settings->full_share_time_s = found.at1;
        settings->economy = found.at2;
    }
    return asked;
}
