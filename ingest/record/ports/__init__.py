"""Ports and what talks over them: listened to, asked in words, by Modbus, or on a car's bus."""
