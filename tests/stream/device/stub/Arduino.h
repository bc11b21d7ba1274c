/* A board that is not there: what the example sketch asks of its board, on a computer, with time that is counted.
 *
 * Written from memory of the ATmega328P data sheet's register and bit names; bit numbers do not matter here. */
#ifndef STUB_ARDUINO_H
#define STUB_ARDUINO_H

#include <stddef.h>
#include <stdint.h>

#define A0 14
#define A1 15
#define _BV(bit) (1u << (bit))
#define ISR(vector) extern "C" void vector(void); extern "C" void vector(void)

enum { TOV1 = 0, ICNC1 = 7, ICES1 = 6, CS11 = 1, ICIE1 = 5, TOIE1 = 0, WGM21 = 1, CS22 = 2, OCIE2A = 1 };

extern volatile uint8_t TCCR1A, TCCR1B, TIMSK1, TIFR1, TCCR2A, TCCR2B, TIMSK2, OCR2A;
extern volatile uint16_t ICR1, TCNT1;

enum { LOW = 0, HIGH = 1, INPUT = 0, OUTPUT = 1 };

int analogRead(uint8_t pin);
int digitalRead(uint8_t pin);
void digitalWrite(uint8_t pin, uint8_t value);
void pinMode(uint8_t pin, uint8_t mode);
void noInterrupts();
void interrupts();
uint32_t millis();
uint32_t micros();

struct StubSerial {
    void begin(uint32_t baud);
    size_t write(const uint8_t *bytes, size_t size);
    int available();
    int read();
};
extern StubSerial Serial;

void setup();
void loop();

#endif
