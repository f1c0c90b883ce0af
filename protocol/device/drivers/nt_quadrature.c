#include "nt_quadrature.h"

#include <string.h>

#include "nt_messages.h"

#define SLACK_COUNTS 2u /* rounding: a count at each end of a step */

static uint32_t mask_of(const struct nt_quadrature_config *config)
{
    return config->counter_bits == 16u ? UINT16_MAX : UINT32_MAX;
}

/* The shorter way round from one count of the timer to another. */
static int64_t step_between(const struct nt_quadrature_config *config, uint32_t from, uint32_t to)
{
    uint32_t mask = mask_of(config);
    uint32_t up = (to - from) & mask;
    return up <= mask / 2u ? (int64_t)up : (int64_t)up - (int64_t)mask - 1;
}

static uint64_t size_of(int64_t counts)
{
    return counts < 0 ? (uint64_t)-counts : (uint64_t)counts;
}

bool nt_quadrature_follows(const struct nt_quadrature_config *config, uint32_t rate_hz)
{
    bool sane = config->tick_hz != 0 && config->counts_per_rev != 0 && config->counts_per_s_max != 0 &&
                (config->counter_bits == 16u || config->counter_bits == 32u) &&
                config->index_tolerance < config->counts_per_rev / 2u;
    return sane && rate_hz != 0 && config->counts_per_s_max / rate_hz < mask_of(config) / 2u - SLACK_COUNTS;
}

void nt_quadrature_init(struct nt_quadrature *q, const struct nt_quadrature_config *config)
{
    memset(q, 0, sizeof *q);
    q->config = config;
    uint64_t most = mask_of(config) / 2u - SLACK_COUNTS;
    if (config->counts_per_s_max != 0) {
        q->lost_ticks = most * config->tick_hz / config->counts_per_s_max;
    }
}

/* Whether the shaft can have made this step in this time, and no other that looks the same. */
static bool is_possible(const struct nt_quadrature *q, int64_t step, uint64_t ticks)
{
    uint64_t size = size_of(step);
    if (ticks >= q->lost_ticks) {
        return false;
    }
    if (size <= SLACK_COUNTS) {
        return true;
    }
    return (size - SLACK_COUNTS) * q->config->tick_hz <= q->config->counts_per_s_max * ticks;
}

static bool move(struct nt_quadrature *q, const struct nt_quadrature_reading *reading)
{
    int64_t step = step_between(q->config, q->count, reading->count);
    q->counts += step;
    if (step != 0) {
        q->direction = step > 0 ? 1 : -1;
    }
    if (is_possible(q, step, reading->tick - q->tick)) {
        return true;
    }
    q->too_fast++;
    q->referenced = false; /* until an index is met again */
    return false;
}

/* Compares with the first index and not with the one before: a count lost every turn must add up to be seen.
 */
static bool meet_index(struct nt_quadrature *q, const struct nt_quadrature_reading *reading)
{
    int64_t at = q->counts - step_between(q->config, reading->index_count, reading->count);
    uint64_t turn = q->config->counts_per_rev;
    uint64_t rest = q->referenced ? size_of(at - q->index_at) % turn : 0;
    bool whole = rest <= q->config->index_tolerance || turn - rest <= q->config->index_tolerance;
    if (!whole) {
        q->slips++;
    }
    if (!whole || !q->referenced) {
        q->index_at = at;
        q->referenced = true;
    }
    return whole;
}

uint16_t nt_quadrature_take(struct nt_quadrature *q, const struct nt_quadrature_reading *reading)
{
    bool good = !q->started || move(q, reading);
    if (reading->blind) { /* the timer stands, and the shaft perhaps does not */
        q->referenced = false;
        good = false;
    }
    q->started = true;
    q->count = reading->count;
    q->tick = reading->tick;
    if (good && reading->index) { /* behind a lost count the way from the index is not known either */
        good = meet_index(q, reading);
    }
    if (!good) {
        q->faulty = true;
        q->fault_tick = reading->tick;
    } else if (q->faulty && reading->tick - q->fault_tick >= q->config->hold_ticks) {
        q->faulty = false;
    }
    return q->faulty ? NT_SAMPLE_FLAG_ENCODER_FAULT : 0;
}

uint16_t nt_quadrature_inputs(const struct nt_quadrature *q)
{
    return q->referenced ? NT_INPUT_INDEX_SEEN : 0;
}
