// pipebeat page: writes the page out, or serves it to this machine's own browser.
#include <fmt/format.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <fstream>
#include <iterator>
#include <memory>
#include <string>

#include "audio/new_file.hpp"
#include "cli/command.hpp"
#include "cli/page_server.hpp"
#include "show/words.hpp"

namespace pipebeat::cli {

namespace {

struct PageOptions {
  std::string output;
  bool serve = false;
  int port = 8470;
};

std::string folder_of_program() {
  std::array<char, 4096> path{};
  const ssize_t size = ::readlink("/proc/self/exe", path.data(), path.size());
  const std::string program{path.data(), static_cast<std::size_t>(std::max<ssize_t>(size, 0))};
  return program.substr(0, program.rfind('/') + 1);
}

/// The built page: beside the program, or where an installation puts it.
Result<std::string> built_page() {
  const std::string folder = folder_of_program();
  for (const char* place : {"pipebeat.html", "../share/pipebeat/pipebeat.html"}) {
    std::ifstream file{folder + place, std::ios::binary};
    if (!file) continue;
    std::string page{std::istreambuf_iterator<char>{file}, {}};
    if (page.ends_with("</html>\n")) return page;
    return fail(ErrorCode::damaged, folder + place + ": the page is damaged",
                "build it again: cmake --build BUILD --target page");
  }
  return fail(ErrorCode::not_found, folder + "pipebeat.html: the page was not built",
              "install emscripten and build it: cmake --build BUILD --target page");
}

ExitStatus page(const PageOptions& options) {
  const auto refuse = [](const Error& error) {
    complain(error);
    return ExitStatus::trouble;
  };
  if (options.output.empty() != options.serve) {
    return refuse(
        {ErrorCode::bad_argument, "no way to hand over the page is named", "give -o FILE, or --serve"});
  }
  auto built = built_page();
  if (!built) return refuse(built.error());
  if (options.serve) {
    if (auto served = serve_page(*built, options.port); !served) return refuse(served.error());
  } else if (auto written = audio::write_file(options.output, *built); !written) {
    return refuse(written.error());
  } else {
    fmt::print("Page written to {}; open it in a browser, or put it on a web host with HTTPS.\n",
               show::one_line(options.output));
  }
  return ExitStatus::no_miss;
}

}  // namespace

void add_page(CLI::App& program, Action& chosen) {
  const auto options = std::make_shared<PageOptions>();
  CLI::App* command = program.add_subcommand(
      "page", "Write out the page for phones and browsers, or serve it on this machine");
  command
      ->add_option("-o,--output", options->output, "Write the page: one file, nothing else needed")
      ->type_name("FILE.html");
  command->add_flag("--serve", options->serve,
                    "Serve it to browsers on this machine only, until interrupted");
  command->add_option("--port", options->port, "Port for --serve; 0 takes a free one")
      ->check(CLI::Range(0, 65535))
      ->capture_default_str();
  command->footer(
      "Example: pipebeat page -o pipebeat.html\n"
      "         pipebeat page --serve");
  command->callback([&chosen, options] { chosen = [options] { return page(*options); }; });
}

}  // namespace pipebeat::cli
