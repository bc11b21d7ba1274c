/* The header on any target: a description and a frame of 32 samples as lines of hexadecimal digits, and on a board with
 * an ATmega328P a third line, the clock cycles that packing the frame took, the bytes thrown away.
 *
 * On the board int has 16 bits and double 32; the scales are such that both make the same digits of them.
 */
#include "steadypull.h"

#ifdef __AVR__
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
static void out(char c) {
    while (!(UCSR0A & _BV(UDRE0))) {
    }
    UDR0 = (uint8_t)c;
}
#else
#include <stdio.h>
static void out(char c) { putchar(c); }
#endif

static void hex(void *context, const uint8_t *bytes, size_t size) {
    static const char digits[] = "0123456789abcdef";
    (void)context;
    while (size-- > 0) {
        out(digits[*bytes >> 4]);
        out(digits[*bytes++ & 15u]);
    }
}

static const sp_channel channels[2] = {{"speed_v", "V", 0.25, 0.0}, {"link", "mV/V", 0.5, -512.0}};
static int16_t samples[64];
static sp_stream stream;

#ifdef __AVR__
static void away(void *context, const uint8_t *bytes, size_t size) {
    (void)context;
    (void)bytes;
    (void)size;
}

static void cycles(void) {
    uint32_t taken;
    int8_t place;
    stream.write = away;
    TCCR1B = _BV(CS11); /* the clock over 8 */
    TCNT1 = 0;
    sp_samples_i16(&stream, 0, samples, 32);
    taken = (uint32_t)TCNT1 * 8u;
    for (place = 28; place >= 0; place = (int8_t)(place - 4)) out("0123456789abcdef"[(taken >> (uint8_t)place) & 15u]);
    out('\n');
}
#endif

int main(void) {
    uint8_t i;
#ifdef __AVR__
    UCSR0B = _BV(TXEN0);
#endif
    for (i = 0; i < 64; i++) samples[i] = (int16_t)(i * 1000L - 32000L);
    sp_begin(&stream, hex, NULL, "small", 1000.0, channels, 2, SP_I16);
    sp_describe(&stream);
    out('\n');
    sp_samples_i16(&stream, UINT64_C(0x1122334455), samples, 32);
    out('\n');
#ifdef __AVR__
    cycles();
    cli();
    sleep_mode(); /* asleep with interrupts off: the emulator ends */
#endif
    return 0;
}
