/* The header used from plain C: packs what it is told and writes it to standard output.
 *
 *     pack crc     CRC-32 of standard input, eight hexadecimal digits
 *     pack cobs    standard input COBS-encoded, zero byte included
 *     pack frames  a description, i16 samples, a loss of five, samples again, a note
 *     pack floats  a description, f32 samples
 */
#include <stdio.h>
#include <string.h>

#include "steadypull.h"

static void put(void *context, const uint8_t *bytes, size_t size) { fwrite(bytes, 1, size, (FILE *)context); }
static void put_nowhere(void *context, const uint8_t *bytes, size_t size) {
    (void)context;
    (void)bytes;
    (void)size;
}

static const sp_channel channels[3] = {
    {"speed \"v\"\n", "V", 5.0 / 1024, 0.0}, {"link", "mV/V", -1.0 / 3.0, 1e-7}, {"µ", "", 123456789.0, -2.5e12}};

static void frames(void) {
    static int16_t samples[300 * 3];
    sp_stream s;
    int i;
    for (i = 0; i < 300 * 3; i++) samples[i] = (int16_t)(i * 71 - 32000);
    sp_begin(&s, put, stdout, "test \\ bench", 1000.0, channels, 3, SP_I16);
    sp_describe(&s);
    sp_samples_i16(&s, 17, samples, 300);
    sp_lost(&s, 5);
    sp_samples_i16(&s, 305017, samples, 2);
    sp_note(&s, "supply low");
    if (sp_samples_f32(&s, 0, (const float *)0, 1) != 0) fputs("took floats for integers", stderr);
}

static void floats(void) {
    static const float values[4] = {1.5f, -3.25e-20f, 0.0f, 3.0e38f};
    static const sp_channel two[2] = {{"a", "", 1.0, 0.0}, {"b", "", 1.0, 0.0}};
    sp_stream s;
    sp_begin(&s, put, stdout, "", 0.1, two, 2, SP_F32);
    sp_describe(&s);
    sp_samples_f32(&s, UINT64_C(0xFFFFFFFFFFF), values, 2);
}

int main(int count, char **words) {
    static uint8_t input[1 << 20];
    size_t i, size;
    sp_stream s;
    if (count != 2) return 2;
    if (strcmp(words[1], "frames") == 0) {
        frames();
        return 0;
    }
    if (strcmp(words[1], "floats") == 0) {
        floats();
        return 0;
    }
    size = fread(input, 1, sizeof input, stdin);
    if (strcmp(words[1], "crc") == 0) {
        printf("%08lx", (unsigned long)sp_crc32(input, size));
        return 0;
    }
    sp_begin(&s, put_nowhere, NULL, "", 1.0, channels, 0, SP_I16);
    s.write = put;
    s.context = stdout;
    sp_cobs_begin(&s);
    for (i = 0; i < size; i++) sp_cobs_add(&s, input[i]);
    sp_cobs_end(&s);
    return 0;
}
