/* The board's main: runs the sketch in counted time and plays known signals to it.
 *
 *     board FD TICKS [SKIP_FROM SKIP_TO]
 *
 * FD is the line (read and written). Waits for the host's first byte, then runs TICKS milliseconds of the board's time as
 * fast as the line takes them, and stays until the line is closed. From tick SKIP_FROM to SKIP_TO loop() is kept busy, so
 * that samples are lost as they would be on a board whose line is too slow.
 */
#include <poll.h>
#include <stdlib.h>
#include <unistd.h>

#include "Arduino.h"

volatile uint8_t TCCR1A, TCCR1B, TIMSK1, TIFR1, TCCR2A, TCCR2B, TIMSK2, OCR2A;
volatile uint16_t ICR1, TCNT1;
StubSerial Serial;

static int line = -1;
static int waiting = -1; /* a byte that was read ahead */
static uint32_t now_ms = 0;

extern "C" void TIMER2_COMPA_vect(void);
#if SPEED_FROM_PULSES
extern "C" void TIMER1_OVF_vect(void);
extern "C" void TIMER1_CAPT_vect(void);
static uint64_t half_us = 0, next_edge = 1000;
static const uint64_t EDGE_EVERY = 2000000 / 250; /* 250 pulses a second */

static void run_timer1(uint64_t until) {
    while (half_us < until) {
        uint64_t overflow = (half_us / 65536 + 1) * 65536;
        uint64_t next = overflow < next_edge ? overflow : next_edge;
        if (next > until) next = until;
        half_us = next;
        TCNT1 = (uint16_t)half_us;
        if (half_us == overflow) TIMER1_OVF_vect();
        if (half_us == next_edge) {
            ICR1 = (uint16_t)half_us;
            TIMER1_CAPT_vect();
            next_edge += EDGE_EVERY;
        }
    }
}
#endif

int analogRead(uint8_t pin) {
    if (pin == A0) return (int)(now_ms * 7u % 1024u);
    if (pin == A1) return (int)(512u + now_ms % 100u);
    abort();
}

uint32_t millis() { return now_ms; }

void StubSerial::begin(uint32_t) {}

size_t StubSerial::write(const uint8_t *bytes, size_t size) {
    size_t done = 0;
    while (done < size) {
        ssize_t sent = ::write(line, bytes + done, size - done);
        if (sent < 0) exit(0); /* the line is closed */
        done += (size_t)sent;
    }
    return size;
}

int StubSerial::available() {
    struct pollfd ask = {line, POLLIN, 0};
    uint8_t byte;
    if (waiting < 0 && poll(&ask, 1, 0) > 0 && ::read(line, &byte, 1) == 1) waiting = byte;
    return waiting >= 0;
}

int StubSerial::read() {
    int byte = waiting;
    waiting = -1;
    return byte;
}

int main(int count, char **words) {
    if (count != 3 && count != 5) return 2;
    line = atoi(words[1]);
    uint32_t ticks = (uint32_t)atol(words[2]);
    uint32_t skip_from = count == 5 ? (uint32_t)atol(words[3]) : ticks;
    uint32_t skip_to = count == 5 ? (uint32_t)atol(words[4]) : ticks;
    struct pollfd ask = {line, POLLIN, 0};
    if (poll(&ask, 1, 20000) != 1) return 3;
    setup();
    if (TIMSK2 != _BV(OCIE2A) || OCR2A != 249) return 4;
    while (now_ms < ticks) {
#if SPEED_FROM_PULSES
        run_timer1((uint64_t)now_ms * 2000u);
#endif
        TIMER2_COMPA_vect();
        now_ms++;
        if (now_ms < skip_from || now_ms >= skip_to) loop();
    }
    struct pollfd closed = {line, POLLIN, 0};
    while (poll(&closed, 1, 20000) > 0) {
        uint8_t byte;
        if (::read(line, &byte, 1) <= 0) return 0;
    }
    return 0;
}
