/* Engine speed and driveline load from a board with an ATmega328P at 16 MHz and 5 V, a thousand samples a second.
 * Copy steadypull.h beside this file.
 *
 * Load: the bridge amplifier's output on A1. Engine speed, one of two ways, chosen here when the sketch is built:
 *
 *   SPEED_FROM_PULSES 0   the pulse-to-voltage converter's output on A0; channel speed_v in V
 *   SPEED_FROM_PULSES 1   the pulses themselves on pin 8 (ICP1), timed by the input capture of timer 1;
 *                         channel pulse_hz in Hz. No converter, so no ripple and no lag
 *
 * The tap on the engine must be buffered, limited to 0..5 V and proved with the car standing still before the road:
 * a bad tap can stall the engine in traffic.
 */
#ifndef SPEED_FROM_PULSES
#define SPEED_FROM_PULSES 0
#endif

#include <Arduino.h>

#include "steadypull.h"

static const uint32_t BAUD = 115200;
static const uint16_t RATE_HZ = 1000;
static const uint8_t CHANNELS = 2;
static const uint8_t SAMPLES = 32;          /* in a frame: 32 ms, 170 bytes, 15 ms of the line */
static const double ADC_VOLTS = 5.0 / 1024; /* per count, with the 5 V supply as reference */
static const double PULSE_STEP_HZ = 0.05;   /* per count: up to 1638 Hz */
/* The amplifier: gain 500 and 5 V of excitation give 2.5 V for 1 mV/V, around 2.5 V (count 512). */
static const double MV_PER_V = ADC_VOLTS * 1000.0 / (500.0 * 5.0);

#if SPEED_FROM_PULSES
static const sp_channel channels[CHANNELS] = {{"pulse_hz", "Hz", PULSE_STEP_HZ, 0.0},
                                              {"link", "mV/V", MV_PER_V, -512.0 * MV_PER_V}};
#else
static const sp_channel channels[CHANNELS] = {{"speed_v", "V", ADC_VOLTS, 0.0},
                                              {"link", "mV/V", MV_PER_V, -512.0 * MV_PER_V}};
#endif

static sp_stream stream;

/* Two halves: the interrupt fills one while loop() sends the other. */
static volatile int16_t samples[2][SAMPLES * CHANNELS];
static volatile uint32_t first_tick[2];
static volatile uint8_t filling = 0, filled = 0;
static volatile uint8_t full[2] = {0, 0};
static volatile uint32_t tick = 0; /* samples since the start, taken or not */

#if SPEED_FROM_PULSES
/* Timer 1 counts half microseconds; the edge stops the count in ICR1, so a late interrupt costs no precision. */
static const uint32_t COUNTS_PER_S = 2000000;
static const uint32_t STANDING = COUNTS_PER_S / 2; /* no pulse for half a second: the engine stands */
static volatile uint16_t overflows = 0;
static volatile uint32_t last_edge = 0, period = 0;

ISR(TIMER1_OVF_vect) {
    overflows++;
}

ISR(TIMER1_CAPT_vect) {
    uint16_t at = ICR1, high = overflows;
    if ((TIFR1 & _BV(TOV1)) && at < 0x8000u) high++; /* it overflowed just before the edge, not yet counted */
    uint32_t edge = ((uint32_t)high << 16) | at;
    period = edge - last_edge;
    last_edge = edge;
}

/* Called with interrupts off. */
static int16_t speed_count() {
    uint16_t at = TCNT1, high = overflows;
    if ((TIFR1 & _BV(TOV1)) && at < 0x8000u) high++;
    uint32_t since = (((uint32_t)high << 16) | at) - last_edge;
    if (period == 0 || since > STANDING || period > STANDING) return 0;
    uint32_t longest = since > period ? since : period; /* slowing down: the next edge is already overdue */
    uint32_t count = (uint32_t)((double)COUNTS_PER_S / PULSE_STEP_HZ / (double)longest + 0.5);
    return count > 32767u ? (int16_t)32767 : (int16_t)count;
}

static void start_speed() {
    TCCR1A = 0;
    TCCR1B = _BV(ICNC1) | _BV(ICES1) | _BV(CS11); /* noise filter, rising edge, clock / 8 */
    TIMSK1 = _BV(ICIE1) | _BV(TOIE1);
}
#else
static int16_t speed_count() { return (int16_t)analogRead(A0); }
static void start_speed() {}
#endif

/* Every millisecond. Two conversions take 0.22 ms. */
ISR(TIMER2_COMPA_vect) {
    if (!full[filling]) {
        if (filled == 0) first_tick[filling] = tick;
        samples[filling][filled * CHANNELS] = speed_count();
        samples[filling][filled * CHANNELS + 1] = (int16_t)analogRead(A1);
        if (++filled == SAMPLES) {
            full[filling] = 1;
            filling ^= 1;
            filled = 0;
        }
    } /* else the line is too slow: this sample is lost, and the next frame's index says so */
    tick++;
}

static void start_sampling() {
    TCCR2A = _BV(WGM21);           /* count up to OCR2A */
    TCCR2B = _BV(CS22);            /* 16 MHz / 64 = 250 kHz */
    OCR2A = 250000 / RATE_HZ - 1;
    TIMSK2 = _BV(OCIE2A);
}

static void put(void *, const uint8_t *bytes, size_t size) { Serial.write(bytes, size); }

/* Send the oldest full half, if there is one. */
static void send_samples() {
    static uint8_t half = 0;
    static int16_t copy[SAMPLES * CHANNELS];
    if (!full[half]) return;
    for (uint8_t i = 0; i < SAMPLES * CHANNELS; i++) copy[i] = samples[half][i];
    uint32_t first = first_tick[half];
    full[half] = 0;
    half ^= 1;
    /* The tick count has 32 bits, 49 days; its difference to the index is what was lost. */
    sp_lost(&stream, (uint32_t)(first - (uint32_t)stream.index));
    sp_samples_i16(&stream, (uint64_t)first * (1000000u / RATE_HZ), copy, SAMPLES);
}

void setup() {
    Serial.begin(BAUD);
    sp_begin(&stream, put, NULL, "hill-climb special", RATE_HZ, channels, CHANNELS, SP_I16);
    sp_describe(&stream);
    start_speed();
    start_sampling();
}

void loop() {
    static uint32_t described_ms = 0;
    int asked = 0;
    while (Serial.available() > 0) asked |= sp_is_request(Serial.read());
    if (asked || millis() - described_ms >= 2000) {
        described_ms = millis();
        sp_describe(&stream);
    }
    send_samples();
}
