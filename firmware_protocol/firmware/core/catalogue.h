/* Every number of the wire that has a name (PROTOCOL.md, sections 3, 4, 5, 9 and 10).
 *
 * A test compares this file with the tables of that page. Nothing else may live here.
 */
#ifndef CW_CATALOGUE_H
#define CW_CATALOGUE_H

enum message_type {
    TYPE_HELLO = 0x01,
    TYPE_LIMITS = 0x02,
    TYPE_ARM = 0x03,
    TYPE_VOICES = 0x04,
    TYPE_DISARM = 0x05,
    TYPE_STOP = 0x06,
    TYPE_RESET = 0x07,
    TYPE_PING = 0x08,
    TYPE_IDENTITY = 0x41,
    TYPE_STATUS = 0x42,
    TYPE_PONG = 0x43,
    TYPE_REFUSAL = 0x44,
    TYPE_LIMITS_SET = 0x45,
    TYPE_ARMED = 0x46
};

enum state { STATE_LOCKED = 0, STATE_ARMED = 1, STATE_TRIPPED = 2, STATE_WARNING = 3 };

enum cause {
    CAUSE_NONE = 0,
    CAUSE_ESTOP_OPEN = 1,
    CAUSE_ESTOP_DISAGREE = 2,
    CAUSE_KEY_OFF = 3,
    CAUSE_LOCAL_STOP = 4,
    CAUSE_HOST_STOP = 5,
    CAUSE_LINE_BREAK = 6,
    CAUSE_LEASE_EXPIRED = 7,
    CAUSE_WRONG_SESSION = 8,
    CAUSE_SETUP_WHILE_ARMED = 9,
    CAUSE_GUARD_REFUSALS = 10,
    CAUSE_PIN_MISMATCH = 11,
    CAUSE_WATCHDOG_RESET = 12,
    CAUSE_BROWN_OUT = 13,
    CAUSE_RESET_WHILE_ARMED = 14,
    CAUSE_NOT_READY = 15,
    CAUSE_INTERNAL_FAULT = 16
};

enum reason {
    REASON_NONE = 0, /* obeyed */
    REASON_UNKNOWN_TYPE = 1,
    REASON_WRONG_LENGTH = 2,
    REASON_WRONG_VERSION = 3,
    REASON_NOT_LOCKED = 4,
    REASON_NO_SUCH_OUTPUT = 5,
    REASON_ABOVE_CEILING = 6,
    REASON_WOULD_LOOSEN = 7,
    REASON_BAD_LIMITS = 8,
    REASON_BAD_NONCE = 9,
    REASON_WRONG_DIGEST = 10,
    REASON_IS_TRIPPED = 11,
    REASON_ESTOP_IS_OPEN = 12,
    REASON_ESTOP_UNPROVEN = 13,
    REASON_KEY_IS_OFF = 14,
    REASON_LOCAL_STOP_PRESSED = 15,
    REASON_BOARD_CHECK_FAILED = 16,
    REASON_NO_LIMITS = 17,
    REASON_OUTPUT_NOT_READY = 18,
    REASON_NOT_ARMED = 19,
    REASON_WRONG_SESSION = 20, /* a wrong session is a trip; the number is kept */
    REASON_BAD_EXPIRY = 21,
    REASON_TOO_FAR_AHEAD = 22,
    REASON_TOO_LATE = 23,
    REASON_QUEUE_FULL = 24,
    REASON_BAD_SLOT = 25,
    REASON_NOT_TRIPPED = 26,
    REASON_WRONG_TRIP = 27,
    REASON_CAUSE_REMAINS = 28
};

enum guard_reason {
    GUARD_NONE = 0,
    GUARD_ON_TIME = 1,
    GUARD_OFF_TIME = 2,
    GUARD_RATE = 3,
    GUARD_DUTY_1S = 4,
    GUARD_DUTY_SECOND = 5,
    GUARD_DUTY_THIRD = 6
};

enum reset_cause {
    RESET_POWER_ON = 0,
    RESET_EXTERNAL = 1,
    RESET_WATCHDOG = 2,
    RESET_BROWN_OUT = 3
};

enum input_bit {
    INPUT_ESTOP_A = 0x01,
    INPUT_ESTOP_B = 0x02,
    INPUT_KEY = 0x04,
    INPUT_LOCAL_STOP = 0x08,
    INPUT_READY_0 = 0x10 /* of outputs 0 to 3: bits 4 to 7 */
};

enum check_bit { CHECK_FUSES = 0x01, CHECK_FLASH = 0x02, CHECKS_ALL = 0x03 };

enum voices_flag { FLAG_IMMEDIATE = 0x01, FLAG_FORGET_LATER = 0x02 };

enum ping_flag { PING_WANTS_NONCE = 0x01 };

#endif
