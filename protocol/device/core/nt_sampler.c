#include "nt_sampler.h"

#include "nt_frame.h"

#define PATTERN_FACTOR 40503u
#define PATTERN_STEP 37
#define BLOCK_OVERHEAD (NT_HEADER_BYTES + NT_FIXED_BLOCK + NT_CRC_BYTES)
#define OFFSET32_SAMPLES                                                                                     \
    ((NT_DATA_FRAME_BYTES - BLOCK_OVERHEAD) / 7u) /* most with 3 + 4 bytes each in one frame */

int32_t nt_pattern_torque(uint64_t index)
{
    uint8_t low[4];
    nt_put_u32(low, (uint32_t)(index * PATTERN_FACTOR));
    return nt_get_i24(low);
}

int64_t nt_pattern_encoder(uint64_t index)
{
    return (int64_t)index * PATTERN_STEP;
}

void nt_sampler_init(struct nt_sampler *s, const struct nt_board *board, uint64_t tick)
{
    memset(s, 0, sizeof *s);
    s->board = board;
    s->setup.rate_hz = board->rates_hz[0];
    s->setup.samples_per_block = NT_BLOCK_SAMPLES_MIN;
    s->setup.status_ms = NT_BOOT_STATUS_MS;
    s->setup.stream = NT_STREAM_BRIDGE;
    s->period_ticks = board->tick_hz / board->rates_hz[0];
    s->next_tick = tick;
    s->after_gap = true;
}

bool nt_sampler_railed(const struct nt_sampler *s, int32_t torque)
{
    return torque >= s->board->rail_high || torque <= s->board->rail_low;
}

bool nt_sampler_allows(const struct nt_sampler *s, const struct nt_stream_setup *setup)
{
    bool known = false;
    for (uint32_t i = 0; i < s->board->rates; i++) {
        known = known || s->board->rates_hz[i] == setup->rate_hz;
    }
    return known && setup->samples_per_block >= NT_BLOCK_SAMPLES_MIN &&
           setup->samples_per_block <= NT_BLOCK_SAMPLES_MAX &&
           setup->samples_per_block * 1000u <= NT_BLOCK_MS_MAX * setup->rate_hz &&
           setup->status_ms >= NT_STATUS_MS_MIN && setup->status_ms <= NT_STATUS_MS_MAX &&
           setup->stream <= NT_STREAM_PATTERN;
}

void nt_sampler_apply(struct nt_sampler *s, const struct nt_stream_setup *setup)
{
    uint64_t last_tick = s->next_tick - s->period_ticks;
    s->setup = *setup;
    s->period_ticks = s->board->tick_hz / setup->rate_hz;
    if (s->next_index != 0) {
        s->next_tick = last_tick + s->period_ticks;
    }
    s->config_epoch++;
}

void nt_sampler_run(struct nt_sampler *s, uint64_t start_tick)
{
    s->running = true;
    s->after_gap = true;
    s->start_tick = start_tick;
    s->count = 0;
}

void nt_sampler_halt(struct nt_sampler *s, struct nt_ring *ring)
{
    nt_sampler_cut(s, ring);
    s->running = false;
}

/* The way from one count to another; a port whose counts jump across the whole range must not be undefined.
 */
static int64_t step_between(int64_t from, int64_t to)
{
    return (int64_t)((uint64_t)to - (uint64_t)from);
}

/* One frame of samples `from` to `from + count` of the block under way. */
static void emit(struct nt_sampler *s, struct nt_ring *ring, uint16_t from, uint16_t count, uint8_t form)
{
    size_t width = nt_block_encoder_bytes(form);
    uint8_t *payload = s->frame + NT_HEADER_BYTES;
    uint8_t *torque = payload + NT_FIXED_BLOCK;
    uint8_t *encoder = torque + (size_t)count * NT_BLOCK_TORQUE_BYTES;
    int64_t base = s->encoder[from];
    int64_t before = base;
    for (uint16_t i = 0; i < count; i++) {
        int64_t counts = s->encoder[from + i];
        nt_put_i24(torque + (size_t)i * NT_BLOCK_TORQUE_BYTES, s->torque[from + i]);
        if (form == NT_ENCODER_FORM_DELTA16) {
            nt_put_i16(encoder + i * width, (int16_t)step_between(before, counts));
        } else {
            nt_put_i32(encoder + i * width, (int32_t)step_between(base, counts));
        }
        before = counts;
    }
    struct nt_block block = {
        .first_index = s->first_index + from,
        .tick = s->first_tick + (uint64_t)from * s->period_ticks,
        .encoder_base = base,
        .count = count,
        .stream = s->setup.stream,
        .encoder_form = form,
        .flags = s->flags,
        .config_epoch = s->config_epoch,
        .inputs = s->inputs,
        .samples = torque,
        .samples_bytes = (uint16_t)(count * (NT_BLOCK_TORQUE_BYTES + width)),
    };
    size_t room = sizeof s->frame - NT_HEADER_BYTES - NT_CRC_BYTES;
    size_t body_bytes = NT_HEADER_BYTES + (size_t)nt_put_block(&block, payload, room);
    nt_frame_begin(s->frame, NT_KIND_BLOCK, s->session, ring->next_seq);
    nt_ring_push(ring, s->wire, nt_frame_close(s->wire, s->frame, body_bytes));
    s->flags &= (uint16_t)~NT_SAMPLE_FLAG_AFTER_GAP;
}

static bool fits_16_bits(int64_t step)
{
    return step >= -INT16_MAX && step <= INT16_MAX;
}

static bool fits_32_bits(int64_t offset)
{
    return offset >= -INT32_MAX && offset <= INT32_MAX;
}

/* Blocks with 32-bit offsets: two, because one frame would be too long; more when even those offsets are too
 * short. */
static void emit_wide(struct nt_sampler *s, struct nt_ring *ring)
{
    uint16_t most = s->count <= OFFSET32_SAMPLES ? s->count : (uint16_t)((s->count + 1u) / 2u);
    uint16_t from = 0;
    while (from < s->count) {
        uint16_t n = 1;
        while (from + n < s->count && n < most &&
               fits_32_bits(step_between(s->encoder[from], s->encoder[from + n]))) {
            n++;
        }
        emit(s, ring, from, n, NT_ENCODER_FORM_OFFSET32);
        from = (uint16_t)(from + n);
    }
}

void nt_sampler_cut(struct nt_sampler *s, struct nt_ring *ring)
{
    if (s->count == 0) {
        return;
    }
    bool narrow = true;
    for (uint16_t i = 1; i < s->count; i++) {
        narrow = narrow && fits_16_bits(step_between(s->encoder[i - 1], s->encoder[i]));
    }
    if (narrow) {
        emit(s, ring, 0, s->count, NT_ENCODER_FORM_DELTA16);
    } else {
        emit_wide(s, ring);
    }
    s->count = 0;
}

static void keep_extremes(struct nt_sampler *s, int32_t torque)
{
    if (!s->seen || torque < s->torque_min) {
        s->torque_min = torque;
    }
    if (!s->seen || torque > s->torque_max) {
        s->torque_max = torque;
    }
    s->seen = true;
}

static void count_faults(struct nt_sampler *s, const struct nt_sample *sample)
{
    if (nt_sampler_railed(s, sample->torque)) {
        s->overrange++;
    }
    if ((sample->flags & NT_SAMPLE_FLAG_ENCODER_FAULT) != 0) {
        s->encoder_errors++;
    }
}

/* Adds a sample to the block under way. */
static void keep(struct nt_sampler *s, uint64_t index, const struct nt_sample *sample)
{
    bool pattern = s->setup.stream == NT_STREAM_PATTERN;
    uint16_t flags = sample->flags;
    if (nt_sampler_railed(s, sample->torque)) {
        flags |= NT_SAMPLE_FLAG_OVERRANGE;
    }
    if (pattern) {
        flags = NT_SAMPLE_FLAG_TEST_PATTERN;
    }
    if (s->count == 0) {
        s->first_index = index;
        s->first_tick = sample->tick;
        s->flags = s->after_gap ? NT_SAMPLE_FLAG_AFTER_GAP : 0;
        s->after_gap = false;
    }
    s->flags |= flags;
    s->torque[s->count] = pattern ? nt_pattern_torque(index) : sample->torque;
    s->encoder[s->count] = pattern ? nt_pattern_encoder(index) : sample->encoder;
    s->count++;
}

bool nt_sampler_take(struct nt_sampler *s, struct nt_ring *ring, const struct nt_sample *sample)
{
    if (sample->tick + s->period_ticks / 2u < s->next_tick) {
        s->misplaced++;
        return false;
    }
    uint64_t missed = 0; /* periods that nothing was latched in */
    if (s->next_index != 0) {
        uint64_t late = sample->tick > s->next_tick ? sample->tick - s->next_tick : 0;
        missed = (late + s->period_ticks / 2u) / s->period_ticks;
    }
    if (missed != 0 || sample->inputs != s->inputs) {
        nt_sampler_cut(s, ring);
    }
    s->after_gap = s->after_gap || missed != 0;
    s->inputs = sample->inputs;
    uint64_t index = s->next_index + missed;
    s->next_index = index + 1u;
    s->next_tick = sample->tick + s->period_ticks;
    if (!s->shunted) {
        keep_extremes(s, sample->torque);
    }
    count_faults(s, sample);
    if (s->running && sample->tick >= s->start_tick) {
        keep(s, index, sample);
        if (s->count >= s->setup.samples_per_block) {
            nt_sampler_cut(s, ring);
        }
    }
    return true;
}
