#include "nt_events.h"

void nt_events_init(struct nt_events *e, uint32_t tick_hz)
{
    memset(e, 0, sizeof *e);
    e->tick_hz = tick_hz;
    e->next_no = 1;
}

static uint64_t ticks_of_ms(const struct nt_events *e, uint32_t ms)
{
    return (uint64_t)ms * e->tick_hz / 1000u;
}

static bool just_raised(const struct nt_events *e, uint64_t tick, uint8_t code)
{
    if ((e->raised & (1u << code)) == 0) {
        return false;
    }
    bool chatters = code == NT_EVENT_CODE_BRIDGE_OPEN || code == NT_EVENT_CODE_ADC_SATURATED;
    uint32_t ms = chatters ? NT_EVENT_LONG_INHIBIT_MS : NT_EVENT_INHIBIT_MS;
    return tick - e->last_tick[code] < ticks_of_ms(e, ms);
}

static void forget(struct nt_events *e, uint8_t at)
{
    e->count--;
    memmove(&e->kept[at], &e->kept[at + 1u], (size_t)(e->count - at) * sizeof e->kept[0]);
}

void nt_events_raise(struct nt_events *e, uint64_t tick, const struct nt_happening *what)
{
    bool latches = what->latched && e->latched_no[what->code] == 0;
    if (!latches && just_raised(e, tick, what->code)) {
        e->suppressed++;
        return;
    }
    e->raised |= (uint16_t)(1u << what->code);
    e->last_tick[what->code] = tick;
    if (e->count == NT_EVENTS_KEPT) {
        forget(e, 0);
    }
    struct nt_kept_event *kept = &e->kept[e->count++];
    memset(kept, 0, sizeof *kept);
    kept->event.tick = tick;
    kept->event.event_no = e->next_no++;
    kept->event.value_a = what->value_a;
    kept->event.value_b = what->value_b;
    kept->event.code = what->code;
    kept->event.severity = what->severity;
    kept->event.latched = what->latched ? 1 : 0;
    if (what->latched) {
        e->latched_no[what->code] = kept->event.event_no;
    }
}

void nt_events_acknowledge(struct nt_events *e, uint32_t event_no)
{
    for (uint8_t i = 0; i < e->count; i++) {
        if (e->kept[i].event.event_no == event_no) {
            forget(e, i);
            return;
        }
    }
}

const struct nt_event *nt_events_due(struct nt_events *e, uint64_t tick)
{
    for (uint8_t i = 0; i < e->count; i++) {
        struct nt_kept_event *kept = &e->kept[i];
        if (!kept->sent || tick - kept->sent_tick >= ticks_of_ms(e, NT_EVENT_REPEAT_MS)) {
            kept->sent = true;
            kept->sent_tick = tick;
            return &kept->event;
        }
    }
    return NULL;
}

uint32_t nt_events_latched(const struct nt_events *e)
{
    uint32_t n = 0;
    for (uint8_t code = 0; code < NT_EVENT_CODES; code++) {
        n += e->latched_no[code] != 0 ? 1u : 0u;
    }
    return n;
}

uint8_t nt_events_code_of(const struct nt_events *e, uint32_t event_no)
{
    for (uint8_t code = 0; code < NT_EVENT_CODES; code++) {
        if (event_no != 0 && e->latched_no[code] == event_no) {
            return code;
        }
    }
    return 0;
}

void nt_events_unlatch(struct nt_events *e, uint8_t code)
{
    e->latched_no[code] = 0;
}
