#include "nt_trips.h"

void nt_trips_init(struct nt_trips *t, const struct nt_board *board)
{
    memset(t, 0, sizeof *t);
    t->board = board;
}

static void stand(struct nt_trips *t, uint8_t code, bool is_there)
{
    uint32_t bit = 1u << code;
    t->standing = is_there ? t->standing | bit : t->standing & ~bit;
}

bool nt_trips_stands(const struct nt_trips *t, uint8_t code)
{
    return (t->standing & (1u << code)) != 0;
}

bool nt_trips_interlocked(const struct nt_trips *t)
{
    uint16_t missing = (uint16_t)(t->board->inputs_for_motion & ~t->inputs);
    return !t->seen || missing != 0 || (t->board->inputs_against & t->inputs) != 0;
}

static void alarm(struct nt_events *events, uint64_t tick, uint8_t code, int32_t a, int32_t b)
{
    struct nt_happening what = {a, b, code, NT_SEVERITY_ALARM, true};
    nt_events_raise(events, tick, &what);
}

/* Whether a condition has now lasted `ms`; keeps when it began. */
static bool lasts(const struct nt_trips *t, bool now, bool *before, uint64_t *since, uint64_t tick,
                  uint32_t ms)
{
    if (now && !*before) {
        *since = tick;
    }
    *before = now;
    return now && tick - *since >= (uint64_t)ms * t->board->tick_hz / 1000u;
}

/* One input that stops: `forbids` says whether it forbids motion now. */
static bool input(struct nt_trips *t, struct nt_events *events, const struct nt_sample *sample, uint16_t bit,
                  uint8_t code, uint8_t driven)
{
    bool wanted = (t->board->inputs_for_motion & bit) != 0 && (sample->inputs & bit) == 0;
    bool against = (t->board->inputs_against & bit) != 0 && (sample->inputs & bit) != 0;
    bool stood = nt_trips_stands(t, code);
    stand(t, code, wanted || against);
    if (!(wanted || against) || stood ||
        !t->seen) { /* what stands at power-on forbids motion and surprises nobody */
        return false;
    }
    alarm(events, sample->tick, code, driven, 0);
    return true;
}

static bool inputs(struct nt_trips *t, struct nt_events *events, const struct nt_sample *sample,
                   uint8_t driven)
{
    bool stop = input(t, events, sample, NT_INPUT_GUARD_CLOSED, NT_EVENT_CODE_GUARD_OPENED, driven);
    stop = input(t, events, sample, NT_INPUT_STOP_CHAIN_HEALTHY, NT_EVENT_CODE_STOP_CHAIN, driven) || stop;
    stop = input(t, events, sample, NT_INPUT_DRIVE_FAULT, NT_EVENT_CODE_DRIVE_FAULT, driven) || stop;
    if (t->seen && sample->inputs != t->inputs) {
        struct nt_happening what = {t->inputs, sample->inputs, NT_EVENT_CODE_INPUT_CHANGED, NT_SEVERITY_INFO,
                                    false};
        nt_events_raise(events, sample->tick, &what);
    }
    t->inputs = sample->inputs;
    t->seen = true;
    return stop || (driven != 0 && nt_trips_interlocked(t)); /* also an input that has no event of its own */
}

/* A condition that is an alarm from the moment it has lasted long enough. */
static bool fault(struct nt_trips *t, struct nt_events *events, const struct nt_sample *sample, uint8_t code,
                  bool is_there)
{
    bool stood = nt_trips_stands(t, code);
    stand(t, code, is_there);
    if (!is_there || stood) {
        return false;
    }
    alarm(events, sample->tick, code, sample->torque, 0);
    return true;
}

static bool torque(struct nt_trips *t, struct nt_events *events, const struct nt_sample *sample)
{
    int32_t limit = t->board->trip_counts;
    bool beyond = limit != 0 && (sample->torque > limit || sample->torque < -limit);
    bool stood = nt_trips_stands(t, NT_EVENT_CODE_TORQUE_TRIP);
    stand(t, NT_EVENT_CODE_TORQUE_TRIP, beyond);
    if (!beyond || stood) {
        return false;
    }
    alarm(events, sample->tick, NT_EVENT_CODE_TORQUE_TRIP, sample->torque, limit);
    return true;
}

bool nt_trips_sample(struct nt_trips *t, struct nt_events *events, const struct nt_sample *sample,
                     uint8_t driven)
{
    uint64_t tick = sample->tick;
    bool railed = sample->torque >= t->board->rail_high || sample->torque <= t->board->rail_low;
    if (railed && !t->saturated) { /* a kick into the rail is worth knowing, but stops nothing */
        struct nt_happening what = {sample->torque, 0, NT_EVENT_CODE_ADC_SATURATED, NT_SEVERITY_WARNING,
                                    false};
        nt_events_raise(events, tick, &what);
    }
    bool saturated = lasts(t, railed, &t->saturated, &t->saturated_since, tick, NT_SATURATED_TRIP_MS);
    bool open = lasts(t, (sample->flags & NT_SAMPLE_FLAG_BRIDGE_FAULT) != 0, &t->bridge_open,
                      &t->bridge_since, tick, NT_FAULT_TRIP_MS);
    bool blind = lasts(t, (sample->flags & NT_SAMPLE_FLAG_ENCODER_FAULT) != 0, &t->encoder_blind,
                       &t->encoder_since, tick, NT_FAULT_TRIP_MS);
    bool stop = inputs(t, events, sample, driven);
    stop = torque(t, events, sample) || stop;
    stop = fault(t, events, sample, NT_EVENT_CODE_ADC_SATURATED, saturated) || stop;
    stop = fault(t, events, sample, NT_EVENT_CODE_BRIDGE_OPEN, open) || stop;
    return fault(t, events, sample, NT_EVENT_CODE_ENCODER_FAULT, blind) || stop;
}

bool nt_trips_blind(struct nt_trips *t, struct nt_events *events, uint64_t tick)
{
    bool stood = nt_trips_stands(t, NT_EVENT_CODE_BRIDGE_OPEN);
    stand(t, NT_EVENT_CODE_BRIDGE_OPEN, true);
    if (stood) {
        return false;
    }
    alarm(events, tick, NT_EVENT_CODE_BRIDGE_OPEN, 0, 0);
    return true;
}

void nt_trips_slow_begin(struct nt_trips *t)
{
    stand(t, NT_EVENT_CODE_OVER_TEMPERATURE, false);
}

bool nt_trips_slow(struct nt_trips *t, struct nt_events *events, uint64_t tick, uint8_t channel, float value)
{
    bool stop = false;
    for (uint8_t i = 0; i < t->board->temperature_limits; i++) {
        const struct nt_temperature_limit *limit = &t->board->temperature_limit[i];
        if (limit->channel != channel || value <= limit->degc_max) { /* NAN is not below any limit */
            continue;
        }
        bool stood = nt_trips_stands(t, NT_EVENT_CODE_OVER_TEMPERATURE);
        stand(t, NT_EVENT_CODE_OVER_TEMPERATURE, true);
        stop = true;
        if (!stood && nt_events_latched_no(events, NT_EVENT_CODE_OVER_TEMPERATURE) == 0) {
            alarm(events, tick, NT_EVENT_CODE_OVER_TEMPERATURE, channel, (int32_t)limit->degc_max);
        }
    }
    return stop;
}
