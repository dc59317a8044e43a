#include "cli/screen.hpp"

#define NCURSES_NOMACROS
#include <fmt/format.h>
#include <langinfo.h>
#include <ncurses.h>

#include <clocale>
#include <cstdio>
#include <cstdlib>
#include <cstring>

namespace pipebeat::cli {

namespace {

constexpr int key_wait_ms = 100;

attr_t bold(short pair) { return A_BOLD | static_cast<attr_t>(COLOR_PAIR(pair)); }

attr_t attribute_of(show::Ink ink) {
  switch (ink) {
    case show::Ink::plain: return A_NORMAL;
    case show::Ink::faint: return A_DIM;
    case show::Ink::good: return bold(1);
    case show::Ink::warning: return bold(2);
    case show::Ink::bad: return bold(3);
  }
  return A_NORMAL;
}

}  // namespace

Result<std::unique_ptr<TerminalScreen>> TerminalScreen::open() {
  std::setlocale(LC_CTYPE, "");
  if (::newterm(nullptr, stdout, stdin) == nullptr) {
    const char* term = std::getenv("TERM");
    return fail(ErrorCode::unsupported,
                fmt::format("TERM={}: this kind of terminal is not known", term != nullptr ? term : ""),
                "set TERM=xterm or the like, or add --json");
  }
  ::cbreak();
  ::noecho();
  ::curs_set(0);
  ::timeout(key_wait_ms);
  const char* no_colour = std::getenv("NO_COLOR");
  if (::has_colors() && (no_colour == nullptr || *no_colour == '\0')) {
    ::start_color();
    ::use_default_colors();
    ::init_pair(1, COLOR_GREEN, -1);
    ::init_pair(2, COLOR_YELLOW, -1);
    ::init_pair(3, COLOR_RED, -1);
  }
  return std::unique_ptr<TerminalScreen>{new TerminalScreen};
}

TerminalScreen::~TerminalScreen() { ::endwin(); }

show::Screen TerminalScreen::size() const {
  return {::getmaxy(::stdscr), ::getmaxx(::stdscr), std::strcmp(::nl_langinfo(CODESET), "UTF-8") == 0};
}

void TerminalScreen::draw(const std::vector<show::Line>& lines) {
  ::erase();
  int row = 0;
  for (const show::Line& line : lines) {
    ::move(row++, 0);
    for (const show::Piece& piece : line) {
      ::attrset(static_cast<int>(attribute_of(piece.ink)));
      ::addstr(piece.text.c_str());
    }
  }
  ::attrset(A_NORMAL);
  ::refresh();
}

std::optional<char> TerminalScreen::key() {
  const int pressed = ::getch();
  if (pressed == '\n' || pressed == '\r' || pressed == KEY_ENTER) return '\n';
  if (pressed < 0x20 || pressed > 0x7E) return std::nullopt;
  return static_cast<char>(pressed);
}

}  // namespace pipebeat::cli
