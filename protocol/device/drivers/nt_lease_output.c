#include "nt_lease_output.h"

#include <string.h>

static void put_level(struct nt_lease_output *out, bool high, uint64_t tick)
{
    if (high != out->high) {
        out->edges++;
        out->edge_tick = tick;
    }
    out->high = high;
    out->access->write(out->access->context,
                       high); /* also when nothing changed: a pin may have been disturbed */
}

void nt_lease_output_init(struct nt_lease_output *out, const struct nt_lease_output_config *config,
                          const struct nt_lease_output_access *access, uint64_t tick)
{
    memset(out, 0, sizeof *out);
    out->config = config;
    out->access = access;
    out->edge_tick = tick;
    put_level(out, false, tick);
}

void nt_lease_output_set(struct nt_lease_output *out, bool live, uint64_t tick)
{
    bool begins = live && !out->live;
    out->live = live;
    if (!live) {
        put_level(out, false, tick);
    } else if (begins && !out->faulty) {
        put_level(out, true, tick);
    }
}

/* Whether the pin reads what was written, as far as anybody can say now. */
static bool obeys(const struct nt_lease_output *out, uint64_t tick)
{
    bool settled = tick - out->edge_tick >= out->config->settle_ticks;
    return out->access->read == NULL || !settled || out->access->read(out->access->context) == out->high;
}

bool nt_lease_output_poll(struct nt_lease_output *out, uint64_t tick)
{
    if (!obeys(out, tick)) {
        out->mismatches += out->faulty ? 0u : 1u;
        out->faulty = true;
        put_level(out, false, tick);
        return false;
    }
    if (out->faulty) {
        bool rested = tick - out->edge_tick >= out->config->settle_ticks;
        out->faulty = out->live || !rested;
        return !out->faulty;
    }
    uint32_t half = out->config->half_period_ticks;
    if (out->live && half != 0 && tick - out->edge_tick >= half) {
        out->late_edges += tick - out->edge_tick >= 2u * (uint64_t)half ? 1u : 0u;
        put_level(out, !out->high, tick);
    }
    return true;
}
