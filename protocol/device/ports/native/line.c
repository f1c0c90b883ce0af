#include "line.h"

#define BITS_PER_BYTE 10    /* start, eight, stop */
#define FRAMES_PER_TURN 64u /* then samples have their turn again */

void nt_line_init(struct nt_line *line, struct nt_pty *pty, uint32_t baud)
{
    memset(line, 0, sizeof *line);
    line->pty = pty;
    line->ns_per_byte = baud != 0 ? BITS_PER_BYTE * (int64_t)1000000000 / baud : 0;
    nt_rx_init(&line->rx);
}

void nt_line_reset(struct nt_line *line)
{
    line->frame_bytes = 0;
    line->sent = 0;
    line->coming = 0;
    nt_rx_init(&line->rx);
}

/* ---- from the host ---- */

/* What a receive interrupt does at the end of each byte, until the main loop has its turn. Returns the tick
 * of the last one. */
static uint64_t arrive(struct nt_line *line, const struct nt_clock *clock, int64_t now_ns)
{
    size_t n = 0;
    uint64_t tick = 0;
    while (n < line->coming && n < NT_RX_STAMPS && line->arrives_ns <= now_ns) {
        tick = nt_clock_tick(clock, line->arrives_ns);
        nt_rx_put(&line->rx, line->bytes[n], tick);
        line->arrives_ns += line->ns_per_byte;
        n++;
    }
    line->coming -= n;
    memmove(line->bytes, line->bytes + n, line->coming);
    return tick;
}

/* `tick` is that of the last byte, for a piece without a delimiter. */
static void drain(struct nt_line *line, struct nt_device *d, uint64_t tick)
{
    uint8_t bytes[NT_RX_STAMPS];
    uint64_t stamp = tick;
    for (size_t n = nt_rx_take(&line->rx, bytes, sizeof bytes, &stamp); n != 0;
         n = nt_rx_take(&line->rx, bytes, sizeof bytes, &stamp)) {
        nt_device_receive(d, bytes, n, stamp);
        stamp = tick;
    }
}

void nt_line_receive(struct nt_line *line, struct nt_device *d, const struct nt_clock *clock)
{
    size_t room = NT_LINE_BYTES - line->coming;
    size_t n = room != 0 ? nt_pty_read(line->pty, line->bytes + line->coming, room) : 0;
    int64_t now_ns = nt_monotonic_ns();
    if (line->coming == 0) {
        line->arrives_ns = now_ns + line->ns_per_byte;
    }
    line->coming += n;
    while (line->coming != 0 && line->arrives_ns <= now_ns) {
        uint64_t tick = arrive(line, clock, now_ns);
        drain(line, d, tick);
    }
}

/* ---- to the host ---- */

/* Bytes of the frame whose last bit has gone by now. */
static size_t gone_by(const struct nt_line *line, int64_t now_ns)
{
    if (line->ns_per_byte == 0) {
        return line->frame_bytes;
    }
    size_t n = (size_t)((now_ns - line->begun_ns) / line->ns_per_byte);
    return n < line->frame_bytes ? n : line->frame_bytes;
}

/* Takes the next frame from the core; it follows the one before without a pause when that one ended since the
 * line was last looked at. */
static bool begin_frame(struct nt_line *line, struct nt_device *d, const struct nt_clock *clock,
                        int64_t now_ns)
{
    int64_t free_ns = line->begun_ns + (int64_t)line->frame_bytes * line->ns_per_byte;
    if (free_ns > now_ns) {
        return false;
    }
    line->frame_bytes = nt_device_next(d, nt_clock_tick(clock, now_ns), &line->frame);
    line->begun_ns = free_ns > line->served_ns ? free_ns : now_ns;
    line->sent = 0;
    line->stalled = false;
    return line->frame_bytes != 0;
}

void nt_line_transmit(struct nt_line *line, struct nt_device *d, const struct nt_clock *clock)
{
    int64_t now_ns = nt_monotonic_ns();
    for (uint32_t frames = 0; frames < FRAMES_PER_TURN; frames++) {
        now_ns = nt_monotonic_ns();
        if (line->sent == line->frame_bytes && !begin_frame(line, d, clock, now_ns)) {
            break;
        }
        size_t due = gone_by(line, now_ns) - line->sent;
        size_t written = due != 0 ? nt_pty_write(line->pty, line->frame + line->sent, due) : 0;
        line->sent += written;
        if (written < due && !line->stalled) {
            line->stalled = true;
            nt_device_note_stall(d);
        }
        if (line->sent < line->frame_bytes) {
            break;
        }
    }
    line->served_ns = now_ns;
}
