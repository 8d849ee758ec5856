/* The load-learning step of loadlearn @VERSION@ for the rig "@RIG@".

   FOR BENCH AND SIMULATION ONLY.
@CAUTION@
*/
#include "loadlearn_step.h"

#include <math.h>

#ifdef LOADLEARN_SINGLE
#define R(number) number##f
#define R_OF(in_double, in_single) in_single##f
#define R_exp expf
#define R_log logf
#define R_log1p log1pf
#define R_sqrt sqrtf
#define R_erfc erfcf
#define R_pow powf
#define R_fabs fabsf
#define R_rint rintf
#else
#define R(number) number
#define R_OF(in_double, in_single) in_double
#define R_exp exp
#define R_log log
#define R_log1p log1p
#define R_sqrt sqrt
#define R_erfc erfc
#define R_pow pow
#define R_fabs fabs
#define R_rint rint
#endif

/* --- constants of the model -------------------------------------------------------------- */
@CONSTANTS@

/* --- records ----------------------------------------------------------------------------- */
@INNER_TYPES@

/* --- the rig, the grounds, what is believed beforehand ----------------------------------- */
@DATA@

/* --- the package's kernels --------------------------------------------------------------- */
@HELPERS@

@CODE@

/* --- the step ---------------------------------------------------------------------------- */
static const real limits[@CHANNELS_COUNT@][2] = {
@LIMITS@
};

static void forget(struct loadlearn_step *step)
{
    static const struct load no_load;
    static const struct filter_memory no_memory;
    int i;
    step->intervals = the_intervals_at_start;
    step->memory[0] = no_memory;
    step->outputs[0] = the_output_at_start;
    for (i = 0; i < 2 * @GROUND_COUNT@; i++) {
        step->surface_probability[i] = R(0.0);
    }
@FORGET@
}

void loadlearn_start(struct loadlearn_step *step)
{
    forget(step);
    step->surroundings.altitude_m = NAN;
    step->surroundings.ambient_temp_degc = NAN;
    step->surroundings.ambient_pressure_kpa = NAN;
    step->base_s = step->last_s = 0.0;
    step->refused_s = NAN;
    step->begun = 0;
    step->reason = REASON_no_force;
    step->load_known = R(0.0);
    step->taken = step->refused = step->impossible = 0;
    step->clocks_set = step->begun_anew = 0;
}

/* Whether the time can be taken. A clock that was set is believed at its second stamp. */
static int time_is_taken(struct loadlearn_step *step, double time_s)
{
    const double ahead_s = time_s - step->last_s;
    if (!(time_s >= @TIME_LOW@ && time_s <= @TIME_HIGH@)) {
        step->refused++;
        return 0;
    }
    if (!step->begun) {
        step->base_s = time_s;
        step->begun = 1;
    } else if (!(ahead_s > 0.0 && ahead_s <= @LONGEST_JUMP@)) {
        const double since_s = time_s - step->refused_s;
        step->refused_s = time_s;
        if (!(since_s > 0.0 && since_s <= @NEW_CLOCK_WITHIN@)) {
            step->refused++;
            return 0;
        }
        step->base_s = time_s - (step->last_s - step->base_s + @AFTER_NEW_CLOCK@);
        step->clocks_set++;
    }
    step->refused_s = NAN;
    step->last_s = time_s;
    return 1;
}

#ifdef LOADLEARN_SINGLE
/* Keep the instants that are remembered near zero, where single precision tells them apart. */
static void shift_instants(struct loadlearn_step *step)
{
    const real shift = R(@SHIFT_EVERY@);
    int i;
    step->base_s += @SHIFT_EVERY@;
@SHIFTS@
    step->intervals.held[0].time_s -= shift;
    for (i = 0; i < (int)(sizeof step->intervals.held_s / sizeof(real)); i++) {
        step->intervals.held_s[i] -= shift;
    }
    step->memory[0].last_stop_s -= shift;
}
#endif

int loadlearn_take(struct loadlearn_step *step, const struct loadlearn_channels *given,
    struct loadlearn_estimate *estimate)
{
    struct channels_in within;
    struct sample sample;
    struct row row;
    real force_n[1];
    int row_of_sample[1], reason[1], i, taken;
    const real *channels = &given->speed_m_s;
    real *seen = (real *)&within;
    const struct output *now = &step->outputs[0];
    taken = time_is_taken(step, given->time_s);
    if (taken) {
        step->taken++;
        for (i = 0; i < @CHANNELS_COUNT@; i++) {
            seen[i] = channels[i];
            if (!isnan(channels[i]) && !(channels[i] >= limits[i][0] && channels[i] <= limits[i][1])) {
                seen[i] = NAN;
                step->impossible++;
            }
        }
        @TAKE_CHANNELS@(&within, &step->surroundings, &sample);
#ifdef LOADLEARN_SINGLE
        while (given->time_s - step->base_s >= @SHIFT_EVERY@ &&
               step->intervals.memory[0].time_s >= R(@SHIFT_EVERY@)) {
            shift_instants(step);
        }
#endif
        sample.time_s = (real)(given->time_s - step->base_s);
        if (@TO_ROWS@(&step->intervals, (real *)step->intervals.held, (real *)step->intervals.row,
                the_may_be_held, &the_rig, @FORCE@, @HEIGHT@, @SHORTEST@, (real *)&sample, (real *)&row,
                row_of_sample, reason, force_n) > 0) {
            struct scratch scratch;
            @TO_ESTIMATES@(&row, step->memory, &step->hypotheses, the_grounds, &the_prior, &the_noise,
                &the_evidence, step->outputs, step->surface_probability, 1, &scratch);
            step->outputs[0] = step->outputs[1];
            for (i = 0; i < @GROUND_COUNT@; i++) {
                step->surface_probability[i] = step->surface_probability[@GROUND_COUNT@ + i];
            }
            if (!isfinite(now->mass_kg) || !isfinite(now->mass_sd_kg)) {
                forget(step);
                step->base_s = given->time_s;
                step->begun_anew++;
            }
        }
        step->reason = reason[0];
    }
@TOLD@
    estimate->surface = (int)now->surface;
    estimate->learning = taken && step->reason == REASON_known;
    estimate->set_aside_because = step->reason;
    return taken;
}
@LOOK_UP_CODE@