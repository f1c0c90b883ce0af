#include "nt_overload.h"

void nt_overload_init(struct nt_overload *o)
{
    memset(o, 0, sizeof *o);
}

/* `later` joins `s`, which came before it. */
static void join(struct nt_stretch *s, const struct nt_stretch *later)
{
    if (later->samples == 0) {
        return;
    }
    if (s->samples == 0) {
        *s = *later;
        return;
    }
    s->samples += later->samples;
    if (later->torque_min < s->torque_min) {
        s->torque_min = later->torque_min;
        s->min_tick = later->min_tick;
    }
    if (later->torque_max > s->torque_max) {
        s->torque_max = later->torque_max;
        s->max_tick = later->max_tick;
    }
}

void nt_overload_take(struct nt_overload *o, uint64_t tick, int32_t torque)
{
    struct nt_stretch sample = {1, tick, tick, tick, torque, torque};
    join(&o->since, &sample);
}

void nt_overload_read(struct nt_overload *o, uint32_t seen_no, struct nt_extremes_reply *reply)
{
    if (seen_no == o->memory_no) {
        memset(&o->told, 0, sizeof o->told);
    }
    join(&o->told, &o->since);
    memset(&o->since, 0, sizeof o->since);
    o->memory_no++;
    if (o->memory_no == 0) { /* 0 names none */
        o->memory_no = 1;
    }
    reply->samples = o->told.samples;
    reply->since_tick = o->told.since_tick;
    reply->min_tick = o->told.min_tick;
    reply->max_tick = o->told.max_tick;
    reply->torque_min = o->told.torque_min;
    reply->torque_max = o->told.torque_max;
    reply->memory_no = o->memory_no;
}
