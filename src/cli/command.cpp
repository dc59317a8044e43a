#include "cli/command.hpp"

#include <fmt/format.h>
#include <unistd.h>

#include <cstdio>
#include <cstdlib>

#include "show/words.hpp"

namespace pipebeat::cli {

ExitStatus status_of(Verdict verdict) {
  if (verdict == Verdict::unclear) return ExitStatus::unclear;
  return is_miss(verdict) ? ExitStatus::miss : ExitStatus::no_miss;
}

ExitStatus worst(ExitStatus a, ExitStatus b) {
  for (ExitStatus s : {ExitStatus::trouble, ExitStatus::miss, ExitStatus::unclear}) {
    if (a == s || b == s) return s;
  }
  return ExitStatus::no_miss;
}

void complain(const Error& error) {
  fmt::print(stderr, "pipebeat: {}; {}\n", show::one_line(error.what), show::one_line(error.hint));
}

bool wants_colour(int fd) {
  const char* no_colour = std::getenv("NO_COLOR");
  return ::isatty(fd) != 0 && (no_colour == nullptr || *no_colour == '\0');
}

}  // namespace pipebeat::cli
