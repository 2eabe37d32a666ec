"""Serial ports and what talks over them: listened to, asked in words, or asked by Modbus."""
