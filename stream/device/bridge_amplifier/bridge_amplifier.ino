/* Driveline load from a bridge amplifier that clocks out 24-bit samples over two wires, and engine speed from the
 * pulse-to-voltage converter on A0. Copy steadypull.h beside this file. Channels: link in mV/V, speed_v in V.
 *
 * Such converters pull DATA low when a sample is ready. Each pulse on CLOCK then brings one bit, the highest first, in
 * two's complement; one pulse more than 24 chooses the input and the gain of the next sample (here the first input,
 * gain 128). CLOCK must not stay high for 60 us, or the converter goes to sleep: interrupts are off while it is read.
 *
 * Noise and rate, from memory of what such parts state, at 5 V and gain 128: 50 nV rms at 10 samples a second, 90 nV at
 * 80; that is 1.8e-5 mV/V of a bridge on 5 V at 80. A pull of 0.8 mV/V stands 44 000 times above it, and in a hold of 5 s
 * the mean is known to 1e-6 mV/V: the road, the tyres and the zero decide, not the amplifier. What it costs is speed: its
 * own filter takes four samples (50 ms) to settle, so load arrives about 25 ms late, 15 rpm in a pull of 600 rpm/s; the
 * converter of engine speed is late as well, and a lag_s in the car file is the difference of the two. At 10 samples a
 * second a gear change or a lifted foot is over between two samples: use 80.
 */
#include <Arduino.h>

#include "steadypull.h"

static const uint8_t DATA = 2, CLOCK = 3;
static const uint32_t BAUD = 115200;
static const double RATE_HZ = 80.0;
static const uint8_t CHANNELS = 2, SAMPLES = 4; /* in a frame: 50 ms */
static const uint8_t EXTRA_PULSES = 1;
static const double ADC_VOLTS = 5.0 / 1024;
/* Full scale is half the excitation over the gain: 0.5 / 128 V per volt, as a count of 23 bits, in mV/V. */
static const float MV_PER_V = (float)(0.5 / 128.0 * 1000.0 / 8388608.0);
static const uint32_t PERIOD_US = (uint32_t)(1000000.0 / RATE_HZ);

static const sp_channel channels[CHANNELS] = {{"link", "mV/V", 1.0, 0.0}, {"speed_v", "V", 1.0, 0.0}};
static sp_stream stream;
static float samples[SAMPLES * CHANNELS];
static uint8_t filled = 0;
static uint32_t first_us = 0, last_us = 0;

/* One sample; DATA must be low. */
static int32_t read_bridge() {
    uint32_t bits = 0;
    noInterrupts();
    for (uint8_t i = 0; i < 24; i++) {
        digitalWrite(CLOCK, HIGH);
        bits = (bits << 1) | (digitalRead(DATA) == HIGH ? 1u : 0u);
        digitalWrite(CLOCK, LOW);
    }
    for (uint8_t i = 0; i < EXTRA_PULSES; i++) {
        digitalWrite(CLOCK, HIGH);
        digitalWrite(CLOCK, LOW);
    }
    interrupts();
    if (bits & 0x800000u) bits |= 0xFF000000u; /* the sign of 24 bits to 32 */
    return (int32_t)bits;
}

static void put(void *, const uint8_t *bytes, size_t size) { Serial.write(bytes, size); }

static void send() {
    sp_samples_f32(&stream, first_us, samples, filled);
    filled = 0;
}

/* A sample that came later than one and a half periods after the one before: those between are lost, and are told. */
static void tell_lost(uint32_t now_us) {
    uint32_t periods = (now_us - last_us + PERIOD_US / 2) / PERIOD_US;
    if (last_us == 0 || periods <= 1) return;
    if (filled > 0) send();
    sp_lost(&stream, periods - 1);
}

void setup() {
    pinMode(DATA, INPUT);
    pinMode(CLOCK, OUTPUT);
    digitalWrite(CLOCK, LOW);
    Serial.begin(BAUD);
    sp_begin(&stream, put, NULL, "hill-climb special", RATE_HZ, channels, CHANNELS, SP_F32);
    sp_describe(&stream);
}

void loop() {
    static uint32_t described_ms = 0;
    int asked = 0;
    while (Serial.available() > 0) asked |= sp_is_request(Serial.read());
    if (asked || millis() - described_ms >= 2000) {
        described_ms = millis();
        sp_describe(&stream);
    }
    if (digitalRead(DATA) != LOW) return; /* not ready; an amplifier that is gone never is, and then nothing is sent */
    uint32_t now_us = micros();
    tell_lost(now_us);
    last_us = now_us;
    if (filled == 0) first_us = now_us;
    samples[filled * CHANNELS] = (float)read_bridge() * MV_PER_V;
    samples[filled * CHANNELS + 1] = (float)(analogRead(A0) * ADC_VOLTS);
    if (++filled == SAMPLES) send();
}
