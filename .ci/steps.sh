# Sourced by the scripts beside it: named, timed steps that all run, so that
# one run shows every fault, and a table of them at the end.

step_names=()
step_seconds=()
step_results=()
steps_failed=0

# step NAME COMMAND...: run the command, time it, remember how it ended.
step() {
	local name=$1
	shift
	local began=$SECONDS result=passed
	printf '\n== %s\n' "$name"
	# The command runs in its own strict shell options: a function called in a
	# condition would otherwise ignore set -e.
	set +e
	(
		set -euo pipefail
		"$@"
	)
	local code=$?
	set -e
	if ((code != 0)); then
		result="FAILED ($code)"
		steps_failed=$((steps_failed + 1))
		printf '== %s: %s\n' "$name" "$result"
	fi
	step_names+=("$name")
	step_seconds+=($((SECONDS - began)))
	step_results+=("$result")
}

# steps_table prints every step with its seconds.
steps_table() {
	local i total=0
	printf '\n%-42s %8s  %s\n' step seconds result
	for i in "${!step_names[@]}"; do
		printf '%-42s %8d  %s\n' "${step_names[$i]}" "${step_seconds[$i]}" "${step_results[$i]}"
		total=$((total + step_seconds[i]))
	done
	printf '%-42s %8d\n\n' total "$total"
}

# Packages whose tests draw cases from laws: those that import rapid.
packages_with_laws() {
	go list -f '{{.ImportPath}} {{.TestImports}} {{.XTestImports}}' ./... | grep 'pgregory.net/rapid' | cut -d' ' -f1
}
