/* A step run over a drive, for measurements. */
#include "loadlearn_step.h"

#include <stddef.h>
#include <time.h>

static struct loadlearn_step step;
@COUNTER@
size_t bench_bytes(void);
void bench_start(void);
void bench_counts(double *counts);
double bench_run(const double *in, size_t n, double *out, double *operations);
void bench_look_up(double grade_percent, double speed_m_s, double *out);

void bench_look_up(double grade_percent, double speed_m_s, double *out)
{
@LOOK_UP@
}

size_t bench_bytes(void)
{
    return sizeof step;
}

void bench_start(void)
{
    loadlearn_start(&step);
}

void bench_counts(double *counts)
{
    counts[0] = (double)step.taken;
    counts[1] = (double)step.refused;
    counts[2] = (double)step.impossible;
    counts[3] = (double)step.clocks_set;
    counts[4] = (double)step.begun_anew;
}

double bench_run(const double *in, size_t n, double *out, double *operations)
{
    const clock_t from = clock();
    size_t k;
    int i;
    for (k = 0; k < n; k++) {
        struct loadlearn_channels now;
        struct loadlearn_estimate told;
        real *channels = &now.speed_m_s;
        const real *known = &told.@FIRST@;
        now.time_s = in[k * @INPUTS@];
        for (i = 1; i < @INPUTS@; i++) {
            channels[i - 1] = (real)in[k * @INPUTS@ + (size_t)i];
        }
        out[(k + 1) * @OUTPUTS@ - 1] = loadlearn_take(&step, &now, &told);
        for (i = 0; i < @ESTIMATES@; i++) {
            out[k * @OUTPUTS@ + (size_t)i] = (double)known[i];
        }
        out[(k + 1) * @OUTPUTS@ - 4] = told.surface;
        out[(k + 1) * @OUTPUTS@ - 3] = told.learning;
        out[(k + 1) * @OUTPUTS@ - 2] = told.set_aside_because;
        for (i = 0; i < 5; i++) {
            operations[k * 5 + (size_t)i] = (double)loadlearn_counted[i];
            loadlearn_counted[i] = 0;
        }
    }
    return (double)(clock() - from) / CLOCKS_PER_SEC;
}
