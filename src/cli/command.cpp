#include "cli/command.hpp"

#include <fmt/format.h>
#include <sys/ioctl.h>
#include <unistd.h>

#include <algorithm>
#include <cstdio>
#include <cstdlib>
#include <vector>

#include "show/paragraphs.hpp"
#include "show/words.hpp"

namespace pipebeat::cli {

namespace {

std::string lower(std::string_view text) {
  std::string out{text};
  for (char& c : out) c = c >= 'A' && c <= 'Z' ? static_cast<char>(c + 32) : c;
  return out;
}

/// Letters put in, left out, taken for another or swapped with the next one, at the least.
std::size_t slips(std::string_view a, std::string_view b) {
  const std::size_t width = b.size() + 1;
  std::vector<std::size_t> d((a.size() + 1) * width);
  for (std::size_t i = 0; i <= a.size(); ++i) d[i * width] = i;
  for (std::size_t j = 0; j <= b.size(); ++j) d[j] = j;
  for (std::size_t i = 1; i <= a.size(); ++i) {
    for (std::size_t j = 1; j <= b.size(); ++j) {
      std::size_t& here = d[i * width + j];
      here = std::min({d[(i - 1) * width + j] + 1, d[i * width + j - 1] + 1,
                       d[(i - 1) * width + j - 1] + (a[i - 1] == b[j - 1] ? 0 : 1)});
      if (i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1]) {
        here = std::min(here, d[(i - 2) * width + j - 2] + 1);
      }
    }
  }
  return d.back();
}

}  // namespace

std::string nearest(std::string_view typed, std::span<const std::string> known) {
  constexpr std::size_t longest = 40;  // nobody mistypes more, and the table below stays small
  if (typed.size() > longest) return {};
  const std::string name = lower(typed);
  std::size_t least = name.size() < 3 ? 1 : name.size() < 6 ? 2 : 3;  // must stay below
  std::string out;
  for (const std::string& k : known) {
    const std::size_t away = slips(name, lower(k));
    if (away < least) {
      least = away;
      out = k;
    } else if (away == least) {
      out.clear();
    }
  }
  return out;
}

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
  tell("pipebeat: ", fmt::format("{}; {}", show::one_line(error.what), show::one_line(error.hint)));
}

void tell(std::string_view first, std::string_view text) {
  if (::isatty(STDERR_FILENO) == 0) {
    fmt::print(stderr, "{}{}\n", first, text);
  } else {
    fmt::print(stderr, "{}", show::wrapped(first, text, columns(STDERR_FILENO)));
  }
}

bool wants_colour(int fd) {
  const char* no_colour = std::getenv("NO_COLOR");
  return ::isatty(fd) != 0 && (no_colour == nullptr || *no_colour == '\0');
}

int columns(int fd) {
  struct winsize size {};
  const bool known = ::isatty(fd) != 0 && ::ioctl(fd, TIOCGWINSZ, &size) == 0 && size.ws_col > 0;
  return known ? std::min<int>(size.ws_col, show::usual_columns) : show::usual_columns;
}

show::TextOptions text_options() { return {wants_colour(STDOUT_FILENO), false, columns(STDOUT_FILENO)}; }

}  // namespace pipebeat::cli
