/* The stub board's serial line and registers, for the one file that has its main. */
#ifndef STUB_LINE_H
#define STUB_LINE_H

#include <poll.h>
#include <stdlib.h>
#include <unistd.h>

#include "Arduino.h"

volatile uint8_t TCCR1A, TCCR1B, TIMSK1, TIFR1, TCCR2A, TCCR2B, TIMSK2, OCR2A;
volatile uint16_t ICR1, TCNT1;
StubSerial Serial;

static int line = -1;
static int waiting = -1; /* a byte that was read ahead */

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

/* Wait for the host's first byte; whether it came. */
static bool host_asked() {
    struct pollfd ask = {line, POLLIN, 0};
    return poll(&ask, 1, 20000) == 1;
}

/* Stay until the line is closed. */
static int until_closed() {
    struct pollfd closed = {line, POLLIN, 0};
    while (poll(&closed, 1, 20000) > 0) {
        uint8_t byte;
        if (::read(line, &byte, 1) <= 0) return 0;
    }
    return 0;
}

#endif
