/* Link: any bytes as the line brings them, in pieces, while time passes and samples are taken. The first two
 * bytes say how; the rest is the line. */
#include "fuzz.h"

#define FRAMES_MAX 4096u

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n)
{
    if (n < 2) {
        return 0;
    }
    size_t piece = 1u + data[0] % 96u;
    uint32_t step_ticks = (data[1] & 0x1Fu) * 1000u;
    bool listens = (data[1] & 0x80u) == 0; /* or the line takes nothing until the end */
    static const uint8_t sheet[] = "{\"schema\":1}";
    struct harness *h = h_new();
    h_sheet(h, sheet, sizeof sheet - 1u, 7);
    h_board(h, "slow_channels", 2);
    h_start(h, 0xB0071D, NT_RESET_CAUSE_POWER, 0, 0);
    for (size_t at = 2; at < n; at += piece) {
        size_t now = n - at < piece ? n - at : piece;
        h_receive(h, data + at, now, h->now);
        keep_promises(h);
        h->inputs = data[at] == 0xFFu ? 0 : NT_INPUT_GUARD_CLOSED | NT_INPUT_STOP_CHAIN_HEALTHY;
        h_advance(h, h->now + step_ticks);
        keep_promises(h);
        if (listens) {
            must(drain(h, FRAMES_MAX) < FRAMES_MAX, "a device comes to an end");
        }
    }
    must(drain(h, FRAMES_MAX) < FRAMES_MAX, "a device comes to an end");
    h_poll(h, h->now + 4000000u);
    keep_promises(h);
    must(drain(h, FRAMES_MAX) == 0, "a device that hears nobody falls silent");
    must(h->d.motion.driven == 0 && h->d.motion.outputs == 0, "what is not asked for again is off");
    h_free(h);
    return 0;
}
