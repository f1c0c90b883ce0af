#include "truth.h"

#include <errno.h>
#include <inttypes.h>

#include "nt_crc32c.h"

#define LOG_BYTES 65536u

static char log_buffer[LOG_BYTES];

static bool failed(const char *path)
{
    fprintf(stderr, "nightturn-native: %s: cannot be written: %s\n", path, strerror(errno));
    return false;
}

bool nt_truth_open(struct nt_truth *truth, const char *path, const char *log_path)
{
    memset(truth, 0, sizeof *truth);
    truth->path = path;
    FILE *file = path != NULL ? fopen(path, "w") : NULL; /* better told now than after the night */
    if (path != NULL && (file == NULL || fclose(file) != 0)) {
        return failed(path);
    }
    if (log_path == NULL) {
        return true;
    }
    truth->log = fopen(log_path, "wb");
    if (truth->log == NULL) {
        return failed(log_path);
    }
    setvbuf(truth->log, log_buffer, _IOFBF, sizeof log_buffer);
    return true;
}

bool nt_truth_has_room(const struct nt_truth *truth)
{
    return truth->boots < NT_TRUTH_BOOTS_MAX;
}

static void record(uint8_t *bytes, uint64_t index, int32_t torque, int64_t encoder)
{
    nt_put_u64(bytes, index);
    nt_put_i32(bytes + 8, torque);
    nt_put_i64(bytes + 12, encoder);
}

static void log_record(struct nt_truth *truth, const uint8_t *bytes)
{
    if (truth->log != NULL && fwrite(bytes, NT_TRUTH_SAMPLE_BYTES, 1, truth->log) != 1) {
        truth->log_failed = true;
    }
}

void nt_truth_begin(struct nt_truth *truth, const struct nt_boot *boot)
{
    uint8_t bytes[NT_TRUTH_SAMPLE_BYTES];
    struct nt_truth_boot *now = &truth->boot[truth->boots++];
    memset(now, 0, sizeof *now);
    now->boot_id = boot->boot_id;
    now->cause = boot->reset_cause;
    truth->next_seq = 0;
    record(bytes, UINT64_MAX, 0, boot->boot_id);
    log_record(truth, bytes);
}

void nt_truth_sample(struct nt_truth *truth, const struct nt_device *d, const struct nt_sample *sample)
{
    uint8_t bytes[NT_TRUTH_SAMPLE_BYTES];
    struct nt_truth_boot *now = &truth->boot[truth->boots - 1u];
    uint64_t index = d->sampler.next_index - 1u;
    bool pattern = d->sampler.setup.stream == NT_STREAM_PATTERN;
    record(bytes, index, pattern ? nt_pattern_torque(index) : sample->torque,
           pattern ? nt_pattern_encoder(index) : sample->encoder);
    now->samples++;
    now->crc = nt_crc32c(now->crc, bytes, sizeof bytes);
    log_record(truth, bytes);
}

void nt_truth_follow(struct nt_truth *truth, const struct nt_device *d)
{
    struct nt_truth_boot *now = &truth->boot[truth->boots - 1u];
    uint32_t seq = d->ring.next_seq;
    now->blocks += seq >= truth->next_seq ? seq - truth->next_seq : seq; /* a new session counts from 0 */
    now->overwritten_unsent = d->ring.overwritten_unsent;
    truth->next_seq = seq;
}

static void write_boot(FILE *file, const struct nt_truth_boot *boot, bool last)
{
    fprintf(file,
            "  {\"boot_id\": %" PRIu32 ", \"reset_cause\": %u, \"samples\": %" PRIu64 ", \"blocks\": %" PRIu32
            ", \"overwritten_unsent\": %" PRIu32 ", \"crc32c\": %" PRIu32 "}%s\n",
            boot->boot_id, (unsigned)boot->cause, boot->samples, boot->blocks, boot->overwritten_unsent,
            boot->crc, last ? "" : ",");
}

static bool write_truth(const struct nt_truth *truth)
{
    FILE *file = fopen(truth->path, "w");
    if (file == NULL) {
        return failed(truth->path);
    }
    fputs("{\"boots\": [\n", file);
    for (uint32_t i = 0; i < truth->boots; i++) {
        write_boot(file, &truth->boot[i], i + 1u == truth->boots);
    }
    fputs("]}\n", file);
    return fclose(file) == 0 || failed(truth->path);
}

bool nt_truth_close(struct nt_truth *truth)
{
    bool good = true;
    if (truth->log != NULL) {
        good = fclose(truth->log) == 0 && !truth->log_failed;
        if (!good) {
            fprintf(stderr, "nightturn-native: the log of samples could not be written\n");
        }
    }
    return (truth->path == NULL || write_truth(truth)) && good;
}
