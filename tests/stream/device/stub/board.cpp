/* The board's main: runs the sketch in counted time and plays known signals to it.
 *
 *     board FD TICKS [SKIP_FROM SKIP_TO]
 *
 * FD is the line (read and written). Waits for the host's first byte, then runs TICKS milliseconds of the board's time as
 * fast as the line takes them, and stays until the line is closed. From tick SKIP_FROM to SKIP_TO loop() is kept busy, so
 * that samples are lost as they would be on a board whose line is too slow.
 */
#include "line.h"

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

int main(int count, char **words) {
    if (count != 3 && count != 5) return 2;
    line = atoi(words[1]);
    uint32_t ticks = (uint32_t)atol(words[2]);
    uint32_t skip_from = count == 5 ? (uint32_t)atol(words[3]) : ticks;
    uint32_t skip_to = count == 5 ? (uint32_t)atol(words[4]) : ticks;
    if (!host_asked()) return 3;
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
    return until_closed();
}
