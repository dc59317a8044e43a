// pipebeat: listens to an exhaust and says whether the engine misses.
#include <fmt/format.h>
#include <malloc.h>
#include <sys/mman.h>

#include <algorithm>
#include <cstdio>
#include <cstdlib>
#include <exception>
#include <filesystem>
#include <iostream>
#include <memory>
#include <string>
#include <vector>

#include "audio/library_chatter.hpp"
#include "cli/command.hpp"
#include "cli/help.hpp"
#include "pipebeat/version.hpp"

namespace {

using namespace pipebeat::cli;

/// The command that was being read when the command line broke a rule, "job sheet" for example.
const CLI::App& innermost(const CLI::App& program) {
  const CLI::App* command = &program;
  while (!command->get_subcommands().empty()) command = command->get_subcommands().front();
  return *command;
}

std::string path_of(const CLI::App& command) {
  const CLI::App* parent = command.get_parent();
  return parent == nullptr ? "pipebeat" : path_of(*parent) + " " + command.get_name();
}

/// An option as the help shows it: "-o FILE", "--engine NAME", "REC".
std::string as_typed(const CLI::Option& option) {
  if (option.get_positional()) return option.get_name(true);
  const std::string name = option.get_snames().empty() ? "--" + option.get_lnames().front()
                                                       : "-" + option.get_snames().front();
  return option.get_type_name().empty() ? name : name + " " + option.get_type_name();
}

/// "did you mean --cylinders? " for a mistyped option or command; empty when it comes near none.
std::string did_you_mean(const std::string& typed, const CLI::App& command) {
  const bool option = typed.starts_with("-");
  std::vector<std::string> known;
  if (option) {
    for (const CLI::Option* o : command.get_options()) {
      for (const std::string& name : o->get_lnames()) known.push_back("--" + name);
    }
  } else {
    for (const CLI::App* c : command.get_subcommands([](const CLI::App*) { return true; })) {
      known.push_back(c->get_name());
    }
  }
  const std::string meant = nearest(typed.substr(0, typed.find('=')), known);
  return meant.empty() ? "" : fmt::format("did you mean {}? ", meant);
}

/// The same; a file of that name was meant to be heard.
std::string what_was_meant(const std::string& unknown, const CLI::App& command) {
  std::error_code no_such_file;
  if (unknown.empty() || !std::filesystem::is_regular_file(unknown, no_such_file)) return did_you_mean(unknown, command);
  if (unknown.starts_with("-")) return fmt::format("the file of that name is given as ./{}; ", unknown);
  return "to judge a recording: pipebeat check --cylinders N RECORDING; ";
}

/// What is wrong with a command line.
struct Refusal {
  std::string what;
  std::string unknown = {};  ///< the option or command that does not exist, if that is it
};

Refusal no_such_command(const std::string& name) { return {name + ": there is no such command", name}; }

/// In our words: the library's name neither the option as it is typed nor what to do.
Refusal what_is_wrong(const CLI::ParseError& error, const CLI::App& command) {
  std::string text = error.what();
  if (dynamic_cast<const CLI::RequiredError*>(&error) != nullptr) {
    // What was taken for an option may be the recording that is missed.
    const std::vector<std::string> left = command.remaining();
    if (!left.empty() && left.front().starts_with("-")) return {left.front() + ": there is no such option", left.front()};
    for (const CLI::Option* option : command.get_options()) {
      if (option->get_required() && option->count() == 0) return {as_typed(*option) + " is missing"};
    }
    if (!command.remaining().empty()) return no_such_command(command.remaining().front());
    return {path_of(command) + ": it needs a command"};
  }
  if (dynamic_cast<const CLI::ExtrasError*>(&error) != nullptr && !command.remaining().empty()) {
    const std::string first = command.remaining().front();
    if (first.starts_with("-")) return {first + ": there is no such option", first};
    return {first + ": one argument too many"};
  }
  if (dynamic_cast<const CLI::ConversionError*>(&error) != nullptr) {
    for (const CLI::Option* option : command.get_options()) {
      const std::string start = "Could not convert: " + option->get_name() + " = ";
      if (!text.starts_with(start)) continue;
      const std::string given = text.substr(start.size());
      return {fmt::format("{} {}: not a {}number{}", option->get_name(), given,
                          option->get_type_name() == "INT" ? "whole " : "",
                          given.find(',') == given.npos ? "" : ", leave the comma out")};
    }
  }
  if (dynamic_cast<const CLI::ArgumentMismatch*>(&error) != nullptr) {
    const std::string name = text.substr(0, text.find(": "));
    return {name + (text.find("At Most") != text.npos ? " is given more than once"
                                                      : " is given without its value")};
  }
  if (dynamic_cast<const CLI::ExtrasError*>(&error) != nullptr) {
    return {"an option stands before the command: " + path_of(command) + " comes first, then its options"};
  }
  return {text};
}

ExitStatus run(int argc, char** argv) {
  CLI::App program{
      "Listens to an exhaust and says whether the engine misses, how badly, in what "
      "pattern and how sure it is.",
      "pipebeat"};
  program.formatter(std::make_shared<HelpFormatter>());
  program.set_version_flag("--version", fmt::format("pipebeat {}", pipebeat::version));
  program.require_subcommand(1);

  Action chosen;
  add_check(program, chosen);
  add_listen(program, chosen);
  add_clicks(program, chosen);
  add_compare(program, chosen);
  add_droptest(program, chosen);
  add_locate(program, chosen);
  add_devices(program, chosen);
  add_engines(program, chosen);
  add_page(program, chosen);
  add_job(program, chosen);

  std::string examples =
      "Examples:\n  pipebeat check --cylinders 4 van.wav\n  pipebeat listen --cylinders 4\n"
      "  pipebeat engines\n  pipebeat job new van --vehicle \"bakery van\" --engine inline4\n";
  program.footer(examples + "`pipebeat COMMAND --help` says more about a command.");

  // What the library would say of a missing or unknown command does not name it.
  const std::string first = argc > 1 ? argv[1] : "";
  const bool option = first.starts_with("-");
  const auto commands = program.get_subcommands([](const CLI::App*) { return true; });
  const bool command = std::any_of(commands.begin(), commands.end(),
                                   [&](const CLI::App* c) { return c->check_name(first); });
  const auto refuse = [&](const Refusal& refusal) {
    const CLI::App& at = innermost(program);
    complain({pipebeat::ErrorCode::bad_argument, refusal.what,
              fmt::format("{}see `{} --help`", what_was_meant(refusal.unknown, at), path_of(at))});
    return ExitStatus::trouble;
  };
  if (first.empty()) return refuse({"no command given"});
  if (!command && !option) return refuse(no_such_command(first));
  try {
    program.parse(argc, argv);
  } catch (const CLI::Success& asked) {  // --help, --version
    program.exit(asked);
    return ExitStatus::no_miss;
  } catch (const CLI::ParseError& error) {
    return refuse(what_is_wrong(error, innermost(program)));
  }
  return chosen();
}

/// Hearing a recording takes some 20 MiB, and every passage and every recording wants the same large blocks again. To
/// hand them back to the system in between costs a fiftieth of the time of `check`; to get them 4 KiB at a time the
/// first time, 5 of the 48 ms that a minute of sound takes; to keep some for each thread, a twentieth of `check --jobs 2`.
void keep_large_blocks() {
#ifdef __GLIBC__
  constexpr int most = 32 << 20;  // the allocator's own limit
  mallopt(M_MMAP_THRESHOLD, most);
  mallopt(M_TRIM_THRESHOLD, 2 * most);
  mallopt(M_ARENA_MAX, 1);
  constexpr std::size_t huge_page = 2 << 20;
  constexpr std::size_t usual = 12 * huge_page;
  if (void* const block = std::aligned_alloc(huge_page, usual)) {
    madvise(block, usual, MADV_HUGEPAGE);  // a wish: where the system has none, nothing is lost
    std::free(block);
  }
#endif
}

/// An answer that did not arrive is none, whatever it was: `check a.wav > answer.txt` on a full disk.
ExitStatus delivered(ExitStatus status) {
  std::cout.flush();
  if (std::fflush(stdout) == 0 && std::ferror(stdout) == 0) return status;
  complain({pipebeat::ErrorCode::write_failed, "the answer could not be written to standard output",
            "make sure that the disk is not full and that what reads it still runs, then ask again"});
  return ExitStatus::trouble;
}

}  // namespace

int main(int argc, char** argv) {
  keep_large_blocks();
  pipebeat::audio::silence_libraries();
  try {
    return static_cast<int>(delivered(run(argc, argv)));
  } catch (const std::bad_alloc&) {
    complain({pipebeat::ErrorCode::unreadable, "out of memory",
              "close other programs, or check shorter recordings"});
  } catch (const std::exception& error) {
    // The printing library throws where a stream takes no more.
    if (std::ferror(stdout) != 0) return static_cast<int>(delivered(ExitStatus::trouble));
    complain({pipebeat::ErrorCode::unreadable, error.what(), "please report this to the authors"});
  }
  return static_cast<int>(ExitStatus::trouble);
}
