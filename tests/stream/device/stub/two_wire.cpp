/* A converter at the two wires, for the sketch bridge_amplifier: a sample every 12.5 ms, count 1000 n - 400 000 for
 * sample n, in two's complement of 24 bits, the highest first. Between two samples loop() is called every 0.5 ms of counted
 * time.
 *
 *     two_wire FD SAMPLES [SKIP_FROM SKIP_TO]     from sample SKIP_FROM to SKIP_TO loop() is kept busy
 */
#include "line.h"

static uint32_t now_us = 0, ready = 0;
static int32_t count = 0;
static int bit = -1; /* of the sample that is being read; -1: not begun; 24: read */
static bool quiet = false, high = false;

int analogRead(uint8_t) { return (int)(ready % 1024u); }
uint32_t millis() { return now_us / 1000u; }
uint32_t micros() { return now_us; }
void pinMode(uint8_t, uint8_t) {}
void noInterrupts() { quiet = true; }
void interrupts() { quiet = false; }

void digitalWrite(uint8_t pin, uint8_t value) {
    if (pin != 3) abort();
    if (value == HIGH && !high) {
        if (ready > 0 && !quiet) abort(); /* an interrupt might come while CLOCK is high */
        bit++;
    }
    high = value == HIGH;
}

int digitalRead(uint8_t pin) {
    if (pin != 2) abort();
    if (bit < 0) return ready > 0 ? LOW : HIGH; /* waiting to be read */
    if (bit >= 24) return HIGH;                  /* read, with the pulse that chooses the gain */
    return ((uint32_t)count >> (23 - bit)) & 1u ? HIGH : LOW;
}

int main(int words, char **word) {
    if (words != 3 && words != 5) return 2;
    line = atoi(word[1]);
    uint32_t samples = (uint32_t)atol(word[2]);
    uint32_t skip_from = words == 5 ? (uint32_t)atol(word[3]) : samples;
    uint32_t skip_to = words == 5 ? (uint32_t)atol(word[4]) : samples;
    if (!host_asked()) return 3;
    setup();
    for (uint32_t n = 0; n < samples; n++) {
        count = (int32_t)(1000 * (int32_t)n - 400000);
        ready = n + 1;
        bit = -1;
        for (int part = 0; part < 25; part++) {
            now_us += 500;
            if (n < skip_from || n >= skip_to) loop();
        }
    }
    return until_closed();
}
