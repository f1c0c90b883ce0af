#include "recording.h"

#include <errno.h>
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>

#define HEADER "torque_raw,encoder"
#define LINE_BYTES 128
#define TORQUE_BITS 24

static bool wrong(const char *path, uint32_t line, const char *what)
{
    fprintf(stderr, "nightturn-native: %s line %" PRIu32 ": %s\n", path, line, what);
    return false;
}

/* One line `torque,encoder`. */
static bool numbers(const char *text, int32_t *torque, int64_t *encoder)
{
    char *end = NULL;
    errno = 0;
    long long first = strtoll(text, &end, 10);
    if (end == text || *end != ',') {
        return false;
    }
    const char *second = end + 1;
    *encoder = strtoll(second, &end, 10);
    if (end == second || *end != '\0' || errno != 0) {
        return false;
    }
    *torque = (int32_t)first;
    return first >= -(1 << (TORQUE_BITS - 1)) && first < 1 << (TORQUE_BITS - 1);
}

static bool read_lines(struct nt_recording *recording, FILE *file, const char *path)
{
    char text[LINE_BYTES];
    for (uint32_t line = 1; fgets(text, sizeof text, file) != NULL; line++) {
        text[strcspn(text, "\r\n")] = '\0';
        if (line == 1) {
            if (strcmp(text, HEADER) != 0) {
                return wrong(path, line, "the first line must be " HEADER);
            }
            continue;
        }
        if (recording->count == NT_RECORDING_SAMPLES_MAX) {
            return wrong(path, line, "too long, at most 4000000 samples can be played");
        }
        uint32_t i = recording->count;
        if (!numbers(text, &recording->torque[i], &recording->encoder[i])) {
            return wrong(path, line, "give two whole numbers, torque within 24 bits");
        }
        recording->count++;
    }
    return recording->count >= 2 || wrong(path, recording->count + 1u, "at least two samples are needed");
}

bool nt_recording_read(struct nt_recording *recording, const char *path)
{
    FILE *file = fopen(path, "r");
    if (file == NULL) {
        fprintf(stderr, "nightturn-native: %s: cannot be read: %s\n", path, strerror(errno));
        return false;
    }
    recording->count = 0;
    recording->at = 0;
    recording->shift = 0;
    bool read = read_lines(recording, file, path);
    fclose(file);
    return read;
}

/* Without overflow, whatever the file says: encoders are counted modulo 2^64. */
static int64_t sum(int64_t a, int64_t b)
{
    return (int64_t)((uint64_t)a + (uint64_t)b);
}

void nt_recording_play(struct nt_recording *recording, struct nt_sample *sample)
{
    sample->torque = recording->torque[recording->at];
    sample->encoder = sum(recording->encoder[recording->at], recording->shift);
    recording->at++;
    if (recording->at == recording->count) {
        int64_t before = recording->encoder[recording->count - 2u];
        int64_t last = recording->encoder[recording->count - 1u];
        int64_t step = (int64_t)((uint64_t)last - (uint64_t)before);
        int64_t travelled = (int64_t)((uint64_t)last - (uint64_t)recording->encoder[0]);
        recording->shift = sum(recording->shift, sum(travelled, step));
        recording->at = 0;
    }
}
