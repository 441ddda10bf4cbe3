#!/bin/sh
# A bridge to start from in nothing but the shell. Allows nothing yet:
#
#     packyoke judge "stdio:sh bridge.sh"
#
# It looks at no field but "op"; to read others you will want a language with a JSON parser. What it
# shows is how little the protocol asks, and that silence and zeros are safe.

reset=no
view='{"charge_current_limit_ma":0,"discharge_current_limit_ma":0,"charge_allowed":false,"discharge_allowed":false,"charge_voltage_limit_mv":0,"discharge_voltage_limit_mv":150000}'

say() { printf '%s\n' "$1"; }
no() { say "{\"ok\":false,\"error\":\"$1\"}"; }

while IFS= read -r line; do
	case $line in
	'#'*) continue ;;
	*[!\ ]*) ;; # something stands in it
	*) continue ;;
	esac
	case $line in
	'{"op":"hello"'*'}') say '{"ok":true,"name":"my-shell","version":"0.1","protocol":1,"supports":["limits","time"]}' ;;
	'{"op":"reset"'*'"packs":['*'}') reset=yes; say '{"ok":true}' ;;
	'{"op":"report"'*'}') if [ $reset = yes ]; then say '{"ok":true}'; else no 'expected reset first'; fi ;;
	'{"op":"step"'*'}') if [ $reset = yes ]; then say "{\"ok\":true,\"view\":$view}"; else no 'expected reset first'; fi ;;
	'{'*'}') no unsupported ;;
	*) no 'not an object' ;;
	esac
done
