#include "nt_adc.h"

#include <string.h>

#include "nt_messages.h"

#define US_PER_S 1000000u
#define MISSED_EDGE_CONVERSIONS 2u /* periods after which an active line is an edge that nobody saw */

typedef char
    queue_is_a_power_of_two[(NT_ADC_QUEUE & (NT_ADC_QUEUE - 1u)) == 0 && NT_ADC_QUEUE <= 32768u ? 1 : -1];

void nt_adc_init(struct nt_adc *adc, const struct nt_adc_part *part, const struct nt_adc_access *access)
{
    memset(adc, 0, sizeof *adc);
    adc->part = part;
    adc->access = access;
    access->interrupt(access->context, false);
}

/* ---- the interrupt ---- */

void nt_adc_data_ready(struct nt_adc *adc)
{
    const struct nt_adc_access *access = adc->access;
    struct nt_adc_conversion conversion;
    memset(&conversion, 0, sizeof conversion);
    access->latch(access->context, &conversion.latch); /* before anything that takes time */
    if (!access->ready(access->context)) {
        adc->glitches++;
        return;
    }
    conversion.torque = nt_adc_read_data(adc->part, access, &conversion.status);
    uint16_t put = adc->put;
    if ((uint16_t)(put - adc->taken) == NT_ADC_QUEUE) {
        adc->overrun++; /* the newest is lost: the sample numbers show the hole */
        return;
    }
    adc->queue[put % NT_ADC_QUEUE] = conversion;
    adc->put = (uint16_t)(put + 1u); /* last: the reader sees whole conversions */
}

static bool pop(struct nt_adc *adc, struct nt_adc_conversion *conversion)
{
    uint16_t taken = adc->taken;
    if (taken == adc->put) {
        return false;
    }
    *conversion = adc->queue[taken % NT_ADC_QUEUE];
    adc->taken = (uint16_t)(taken + 1u);
    return true;
}

/* ---- start ---- */

static uint64_t period_ticks(const struct nt_adc *adc)
{
    return adc->access->tick_hz / adc->rate_hz;
}

/* Whether the line was active; reads and forgets what stood there. With the interrupt masked. */
static bool clear_line(struct nt_adc *adc)
{
    uint8_t status = 0;
    if (!adc->access->ready(adc->access->context)) {
        return false;
    }
    (void)nt_adc_read_data(adc->part, adc->access, &status);
    return true;
}

static void halt(struct nt_adc *adc)
{
    adc->access->interrupt(adc->access->context, false);
    nt_adc_send(adc->access, &adc->part->stop);
    adc->taken = adc->put;
}

static void go(struct nt_adc *adc, enum nt_adc_state state, uint64_t tick)
{
    adc->state = state;
    adc->discard = adc->part->settle_conversions;
    adc->at_rail = 0;
    adc->heard_tick = tick;
    adc->timed = false;
    nt_adc_send(adc->access, &adc->part->start);
    (void)clear_line(adc); /* an edge that came while the interrupt was masked does not come again */
    adc->access->interrupt(adc->access->context, true);
}

/* What a register must hold: its value, and the rate where the rate is. */
static uint32_t wanted(const struct nt_adc *adc, uint8_t index)
{
    const struct nt_adc_part *part = adc->part;
    uint32_t value = part->registers[index].value;
    uint32_t bits = 0;
    if (index == part->rate_register && nt_adc_rate_bits(part, adc->rate_hz, &bits)) {
        value = (value & ~part->rate_mask) | (bits & part->rate_mask);
    }
    return value;
}

/* Writes every register, then reads every one: a write that disturbs another register is found as well. */
static bool configure(struct nt_adc *adc)
{
    const struct nt_adc_part *part = adc->part;
    for (uint8_t i = 0; i < part->register_count; i++) {
        nt_adc_write_register(part, adc->access, i, wanted(adc, i));
    }
    for (uint8_t i = 0; i < part->register_count; i++) {
        uint32_t seen = nt_adc_read_register(part, adc->access, i);
        if (((seen ^ wanted(adc, i)) & part->registers[i].compare) != 0) {
            struct nt_adc_mismatch mismatch = {wanted(adc, i), seen, part->registers[i].address};
            adc->mismatch = mismatch;
            return false;
        }
    }
    return true;
}

static void reset(struct nt_adc *adc, uint64_t tick)
{
    halt(adc);
    if (adc->access->reset != NULL) {
        adc->access->reset(adc->access->context);
    }
    nt_adc_send(adc->access, &adc->part->reset);
    adc->state = NT_ADC_RESETTING;
    adc->due_tick = tick + (uint64_t)adc->part->reset_us * adc->access->tick_hz / US_PER_S + 1u;
}

bool nt_adc_begin(struct nt_adc *adc, uint32_t rate_hz, uint64_t tick)
{
    uint32_t bits = 0;
    if (!nt_adc_rate_bits(adc->part, rate_hz, &bits)) {
        return false;
    }
    adc->rate_hz = rate_hz;
    adc->starts = 0;
    adc->faults = 0;
    reset(adc, tick);
    return true;
}

/* A start was in vain, for a reason: once more, or not. */
static void fail(struct nt_adc *adc, uint8_t fault, uint64_t tick)
{
    adc->faults |= fault;
    adc->starts++;
    if (adc->starts >= NT_ADC_STARTS_MAX) {
        halt(adc);
        adc->state = NT_ADC_FAILED;
        return;
    }
    adc->restarts++;
    reset(adc, tick);
}

static void set_burnout(struct nt_adc *adc, bool on)
{
    const struct nt_adc_part *part = adc->part;
    uint32_t value = wanted(adc, part->burnout_register);
    if (on) {
        value = (value & ~part->burnout_mask) | (part->burnout_bits & part->burnout_mask);
    }
    nt_adc_write_register(part, adc->access, part->burnout_register, value);
}

static void come_up(struct nt_adc *adc, uint64_t tick)
{
    nt_adc_send(adc->access, &adc->part->stop); /* some parts convert as soon as they are reset */
    if (!configure(adc)) {
        fail(adc, NT_ADC_FAULT_READ_BACK, tick);
        return;
    }
    adc->faults &= (uint8_t)~NT_ADC_FAULT_READ_BACK;
    if (adc->part->burnout_mask != 0) {
        set_burnout(adc, true);
        go(adc, NT_ADC_CHECKING, tick);
    } else {
        go(adc, NT_ADC_RUNNING, tick);
    }
}

/* ---- the main loop ---- */

/* Nothing has come for `late` ticks. */
static void listen(struct nt_adc *adc, uint64_t late, uint64_t tick)
{
    const struct nt_adc_access *access = adc->access;
    if (late >= adc->part->silent_conversions * period_ticks(adc)) {
        bool stuck = access->ready(access->context);
        fail(adc, stuck ? NT_ADC_FAULT_READY_STUCK : NT_ADC_FAULT_SILENT, tick);
    } else if (late >= MISSED_EDGE_CONVERSIONS * period_ticks(adc)) {
        access->interrupt(access->context, false);
        if (adc->taken == adc->put && clear_line(adc) && !access->ready(access->context)) {
            adc->missed_edges++; /* a line that is stuck comes to nothing here, and is told in time */
        }
        access->interrupt(access->context, true);
    }
}

/* Nothing waits in the queue. That a full one had no room for the newest is no silence. */
static void wait_for_data(struct nt_adc *adc, uint64_t tick)
{
    uint32_t overrun = adc->overrun;
    if (overrun != adc->overrun_seen) {
        adc->overrun_seen = overrun;
        adc->heard_tick = tick;
        adc->timed = false;
    } else if (tick > adc->heard_tick) {
        listen(adc, tick - adc->heard_tick, tick);
    }
}

void nt_adc_poll(struct nt_adc *adc, uint64_t tick)
{
    bool converts = adc->state == NT_ADC_CHECKING || adc->state == NT_ADC_RUNNING;
    if (adc->state == NT_ADC_RESETTING && tick >= adc->due_tick) {
        come_up(adc, tick);
    } else if (adc->state == NT_ADC_CHECKED) {
        set_burnout(adc, false);
        go(adc, NT_ADC_RUNNING, tick);
    } else if (converts && adc->taken == adc->put) {
        wait_for_data(adc, tick);
    }
}

static void stand(struct nt_adc *adc, uint8_t fault, bool is_there)
{
    adc->faults = (uint8_t)(is_there ? adc->faults | fault : adc->faults & ~fault);
}

static bool beyond(int32_t torque, uint32_t limit)
{
    return (uint32_t)(torque < 0 ? -torque : torque) >= limit;
}

/* Whether a latch is off its time, by the one before; whole periods may be missing between the two. */
static bool is_off_time(const struct nt_adc *adc, uint64_t tick)
{
    uint64_t since = tick - adc->heard_tick;
    if (!adc->timed || adc->part->jitter_ticks == 0) {
        return false;
    }
    if (since > UINT32_MAX) {
        return true;
    }
    uint32_t period = (uint32_t)period_ticks(adc);
    uint32_t rest = (uint32_t)since % period; /* 32 bits: a Cortex-M3 divides these in hardware */
    uint32_t off = rest <= period - rest ? rest : period - rest;
    return off > adc->part->jitter_ticks;
}

static void judge(struct nt_adc *adc, struct nt_adc_conversion *conversion)
{
    const struct nt_adc_part *part = adc->part;
    if (!beyond(conversion->torque, part->open_counts)) {
        adc->at_rail = 0;
    } else if (adc->at_rail < part->open_conversions) {
        adc->at_rail++;
    }
    stand(adc, NT_ADC_FAULT_AT_RAIL, part->open_conversions != 0 && adc->at_rail == part->open_conversions);
    stand(adc, NT_ADC_FAULT_STATUS, (conversion->status & part->status_fault_mask) != 0);
    if ((adc->faults & (NT_ADC_FAULT_BRIDGE_OPEN | NT_ADC_FAULT_AT_RAIL | NT_ADC_FAULT_STATUS)) != 0) {
        conversion->flags |= NT_SAMPLE_FLAG_BRIDGE_FAULT;
    }
}

/* The answer of the burn-out currents; nt_adc_poll switches them off again. */
static void checked(struct nt_adc *adc, const struct nt_adc_conversion *conversion)
{
    stand(adc, NT_ADC_FAULT_BRIDGE_OPEN, beyond(conversion->torque, adc->part->burnout_counts));
    halt(adc);
    adc->state = NT_ADC_CHECKED;
}

bool nt_adc_take(struct nt_adc *adc, struct nt_adc_conversion *conversion)
{
    while (pop(adc, conversion)) {
        conversion->flags = is_off_time(adc, conversion->latch.tick) ? NT_SAMPLE_FLAG_TICK_UNCERTAIN : 0;
        adc->heard_tick = conversion->latch.tick;
        adc->timed = true;
        if (adc->discard != 0) {
            adc->discard--;
        } else if (adc->state == NT_ADC_CHECKING) {
            checked(adc, conversion);
        } else {
            adc->starts = 0;
            stand(adc, NT_ADC_FAULT_SILENT | NT_ADC_FAULT_READY_STUCK, false);
            judge(adc, conversion);
            return true;
        }
    }
    return false;
}

bool nt_adc_is_blind(const struct nt_adc *adc)
{
    return (adc->faults & (NT_ADC_FAULT_READ_BACK | NT_ADC_FAULT_SILENT | NT_ADC_FAULT_READY_STUCK)) != 0;
}
