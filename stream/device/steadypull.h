/* steadypull.h: pack samples into frames and send them to Steadypull. One header, C99 or C++11; no allocation, no
 * library beyond <stdint.h>, <stddef.h> and <string.h>. MIT licence.
 *
 *     static void put(void *context, const uint8_t *bytes, size_t size) { ...send them... }
 *     static const sp_channel channels[] = {{"speed_v", "V", 5.0 / 1024, 0.0}, {"link", "mV/V", 0.01, -5.12}};
 *     static sp_stream stream;
 *
 *     sp_begin(&stream, put, NULL, "my car", 1000.0, channels, 2, SP_I16);
 *     sp_describe(&stream);                            at start, every two seconds, and when the host asks:
 *     if (sp_is_request(byte)) sp_describe(&stream);   for each byte that comes from the host
 *     sp_samples_i16(&stream, first_us, samples, 32);  32 samples of all channels, sample by sample
 *     sp_note(&stream, "converter supply is low");
 *
 * A sample that could not be taken in time is told with sp_lost(&stream, how_many): then it is a gap on the host's
 * side, not a shift in time. The state takes about 330 bytes; 255 of them are the run of bytes between two zeros,
 * which has to be known before it is sent (COBS: S. Cheshire, M. Baker, Consistent Overhead Byte Stuffing, 1999).
 *
 * Measured for an ATmega328P (avr-gcc -Os, simavr): a whole program that describes two channels and sends a frame of 32
 * samples has 4.3 KB of code and 0.7 KB of memory, its samples included; packing costs 990 cycles a sample of two
 * channels, 62 us at 16 MHz, 6 % of the board's time at a thousand samples a second. Byte order and the size of int do
 * not matter: the tests run it where the highest byte comes first, and where int has 16 bits.
 */
#ifndef STEADYPULL_H
#define STEADYPULL_H

#include <stddef.h>
#include <stdint.h>
#include <string.h>

#ifdef __cplusplus
extern "C" {
#endif

/* Sends bytes; it may wait until they are gone. `context` is what was given to sp_begin. */
typedef void (*sp_write)(void *context, const uint8_t *bytes, size_t size);

typedef enum { SP_I16, SP_F32 } sp_format;

/* value = scale * count + offset, in `unit`. Names in UTF-8; they must be those of the car file. */
typedef struct {
    const char *name;
    const char *unit;
    double scale;
    double offset;
} sp_channel;

typedef struct {
    sp_write write;
    void *context;
    const char *name;
    double rate_hz;
    const sp_channel *channels;
    uint8_t channel_count;
    sp_format format;
    uint32_t sequence; /* frames sent */
    uint64_t index;    /* of the next sample */
    uint32_t crc;
    uint8_t run[255]; /* code byte and up to 254 bytes without a zero */
    uint8_t run_size; /* bytes in it, less the code byte */
    uint8_t run_owed; /* whether the run must be sent even if it is empty */
} sp_stream;

/* ---- CRC-32 as in zlib (reflected 0x04C11DB7), four bits at a time: 64 bytes of table ---- */

static inline uint32_t sp_crc32_add(uint32_t crc, uint8_t byte) {
    static const uint32_t table[16] = {
        0x00000000u, 0x1DB71064u, 0x3B6E20C8u, 0x26D930ACu, 0x76DC4190u, 0x6B6B51F4u, 0x4DB26158u, 0x5005713Cu,
        0xEDB88320u, 0xF00F9344u, 0xD6D6A3E8u, 0xCB61B38Cu, 0x9B64C2B0u, 0x86D3D2D4u, 0xA00AE278u, 0xBDBDF21Cu};
    crc ^= byte;
    crc = (crc >> 4) ^ table[crc & 15u];
    return (crc >> 4) ^ table[crc & 15u];
}

static inline uint32_t sp_crc32(const uint8_t *bytes, size_t size) {
    uint32_t crc = 0xFFFFFFFFu;
    size_t i;
    for (i = 0; i < size; i++) crc = sp_crc32_add(crc, bytes[i]);
    return crc ^ 0xFFFFFFFFu;
}

/* ---- COBS, as the bytes come ---- */

static inline void sp_cobs_begin(sp_stream *s) {
    s->run_size = 0;
    s->run_owed = 1;
}

static inline void sp_cobs_send_run(sp_stream *s) {
    s->run[0] = (uint8_t)(s->run_size + 1u);
    s->write(s->context, s->run, (size_t)s->run_size + 1u);
    s->run_size = 0;
}

static inline void sp_cobs_add(sp_stream *s, uint8_t byte) {
    if (byte == 0) {
        sp_cobs_send_run(s);
        s->run_owed = 1; /* this zero is implied by the run that follows */
        return;
    }
    s->run[++s->run_size] = byte;
    s->run_owed = 1;
    if (s->run_size == 254) {
        sp_cobs_send_run(s);
        s->run_owed = 0; /* a full run implies no zero */
    }
}

static inline void sp_cobs_end(sp_stream *s) {
    static const uint8_t zero = 0;
    if (s->run_owed) sp_cobs_send_run(s);
    s->write(s->context, &zero, 1);
}

/* ---- the parts of a frame; all numbers least significant byte first ---- */

static inline void sp_add(sp_stream *s, uint8_t byte) {
    s->crc = sp_crc32_add(s->crc, byte);
    sp_cobs_add(s, byte);
}

static inline void sp_add_number(sp_stream *s, uint64_t number, uint8_t bytes) {
    uint8_t i;
    for (i = 0; i < bytes; i++) sp_add(s, (uint8_t)(number >> (8u * i)));
}

static inline void sp_add_text(sp_stream *s, const char *text) {
    while (*text != '\0') sp_add(s, (uint8_t)*text++);
}

static inline void sp_frame_begin(sp_stream *s, uint8_t kind) {
    s->crc = 0xFFFFFFFFu;
    sp_cobs_begin(s);
    sp_add(s, 1); /* version */
    sp_add(s, kind);
    sp_add_number(s, s->sequence++, 4);
}

static inline void sp_frame_end(sp_stream *s) {
    uint32_t crc = s->crc ^ 0xFFFFFFFFu;
    uint8_t i;
    for (i = 0; i < 4; i++) sp_cobs_add(s, (uint8_t)(crc >> (8u * i)));
    sp_cobs_end(s);
}

/* ---- JSON, as much of it as a description needs ---- */

static inline void sp_add_string(sp_stream *s, const char *text) {
    static const char digits[] = "0123456789abcdef";
    sp_add(s, '"');
    for (; *text != '\0'; text++) {
        uint8_t byte = (uint8_t)*text;
        if (byte == '"' || byte == '\\') {
            sp_add(s, '\\');
            sp_add(s, byte);
        } else if (byte < 0x20u) {
            sp_add_text(s, "\\u00");
            sp_add(s, (uint8_t)digits[byte >> 4]);
            sp_add(s, (uint8_t)digits[byte & 15u]);
        } else {
            sp_add(s, byte);
        }
    }
    sp_add(s, '"');
}

/* Ten significant digits and an exponent: as good as a double of 32 bits (small boards) and, within 1e-9, one of 64.
 * What is not a finite number becomes null, which the host refuses with words. */
static inline void sp_add_double(sp_stream *s, double number) {
    int exponent = 9;
    uint64_t mantissa;
    uint64_t unit = UINT64_C(1000000000);
    if (!(number - number == 0.0)) {
        sp_add_text(s, "null");
        return;
    }
    if (number < 0.0) {
        sp_add(s, '-');
        number = -number;
    }
    if (!(number > 0.0)) {
        sp_add(s, '0');
        return;
    }
    while (number >= 1e10) {
        number /= 10.0;
        exponent++;
    }
    while (number < 1e9) {
        number *= 10.0;
        exponent--;
    }
    mantissa = (uint64_t)(number + 0.5);
    if (mantissa >= 10u * unit) {
        mantissa /= 10u;
        exponent++;
    }
    sp_add(s, (uint8_t)('0' + (uint8_t)(mantissa / unit)));
    sp_add(s, '.');
    while (unit > 1u) {
        mantissa %= unit;
        unit /= 10u;
        sp_add(s, (uint8_t)('0' + (uint8_t)(mantissa / unit)));
    }
    sp_add(s, 'e');
    if (exponent < 0) {
        sp_add(s, '-');
        exponent = -exponent;
    }
    if (exponent >= 100) sp_add(s, (uint8_t)('0' + exponent / 100));
    if (exponent >= 10) sp_add(s, (uint8_t)('0' + exponent / 10 % 10));
    sp_add(s, (uint8_t)('0' + exponent % 10));
}

/* ---- what a sketch calls ---- */

/* Prepare a stream. `channels` and `name` must stay where they are. Sends one zero byte, so that whatever a boot
 * loader wrote before is not taken for the beginning of the first frame. */
static inline void sp_begin(sp_stream *s, sp_write write, void *context, const char *name, double rate_hz,
                            const sp_channel *channels, uint8_t channel_count, sp_format format) {
    static const uint8_t zero = 0;
    memset(s, 0, sizeof *s);
    s->write = write;
    s->context = context;
    s->name = name;
    s->rate_hz = rate_hz;
    s->channels = channels;
    s->channel_count = channel_count;
    s->format = format;
    s->write(s->context, &zero, 1);
}

/* Whether a byte from the host asks for the description. */
static inline int sp_is_request(int byte) { return byte == '?'; }

/* Send the description. */
static inline void sp_describe(sp_stream *s) {
    uint8_t i;
    sp_frame_begin(s, 1);
    sp_add_text(s, "{\"name\":");
    sp_add_string(s, s->name);
    sp_add_text(s, ",\"rate_hz\":");
    sp_add_double(s, s->rate_hz);
    sp_add_text(s, ",\"channels\":[");
    for (i = 0; i < s->channel_count; i++) {
        if (i != 0) sp_add(s, ',');
        sp_add_text(s, "{\"name\":");
        sp_add_string(s, s->channels[i].name);
        sp_add_text(s, ",\"unit\":");
        sp_add_string(s, s->channels[i].unit);
        sp_add_text(s, ",\"scale\":");
        sp_add_double(s, s->channels[i].scale);
        sp_add_text(s, ",\"offset\":");
        sp_add_double(s, s->channels[i].offset);
        sp_add(s, '}');
    }
    sp_add_text(s, "],\"format\":");
    sp_add_text(s, s->format == SP_I16 ? "\"i16\"}" : "\"f32\"}");
    sp_frame_end(s);
}

static inline void sp_samples_begin(sp_stream *s, uint64_t device_us, uint16_t samples) {
    sp_frame_begin(s, 2);
    sp_add_number(s, s->index, 8);
    sp_add_number(s, device_us, 8);
    sp_add(s, s->channel_count);
    sp_add_number(s, samples, 2);
    s->index += samples;
}

/* How many samples one frame can hold: encoded it must stay within 64 KiB. */
static inline uint16_t sp_most_samples(const sp_stream *s) {
    uint32_t row = (uint32_t)s->channel_count * (s->format == SP_I16 ? 2u : 4u);
    return row == 0u ? (uint16_t)0 : (uint16_t)(65000u / row);
}

/* Send `samples` samples of all channels, sample by sample; the first was taken at device_us. Returns 1, or 0 where
 * the stream was begun with the other format or they do not fit one frame. */
static inline int sp_samples_i16(sp_stream *s, uint64_t device_us, const int16_t *counts, uint16_t samples) {
    size_t i, size = (size_t)samples * s->channel_count;
    if (s->format != SP_I16 || samples == 0 || samples > sp_most_samples(s)) return 0;
    sp_samples_begin(s, device_us, samples);
    for (i = 0; i < size; i++) sp_add_number(s, (uint16_t)counts[i], 2);
    sp_frame_end(s);
    return 1;
}

/* The same with 32-bit floats (IEEE 754). */
static inline int sp_samples_f32(sp_stream *s, uint64_t device_us, const float *values, uint16_t samples) {
    size_t i, size = (size_t)samples * s->channel_count;
    uint32_t bits;
    if (s->format != SP_F32 || samples == 0 || samples > sp_most_samples(s)) return 0;
    sp_samples_begin(s, device_us, samples);
    for (i = 0; i < size; i++) {
        memcpy(&bits, &values[i], sizeof bits);
        sp_add_number(s, bits, 4);
    }
    sp_frame_end(s);
    return 1;
}

/* Tell that so many samples could not be taken or sent. */
static inline void sp_lost(sp_stream *s, uint64_t samples) { s->index += samples; }

/* Send words to the person; they are kept with the recording. */
static inline void sp_note(sp_stream *s, const char *text) {
    sp_frame_begin(s, 3);
    sp_add_text(s, text);
    sp_frame_end(s);
}

#ifdef __cplusplus
}
#endif

#endif
