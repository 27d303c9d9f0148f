"""How the site is built; `python docs/make_site.py` calls Sphinx with it, offline."""

from sphinx_gallery.scrapers import figure_rst

import trialkit

project = "trialkit"
author = copyright = "trialkit contributors"
version = release = trialkit.__version__
language = "en"

extensions = [
    "sphinx.ext.autodoc",
    "sphinx.ext.autosummary",
    "sphinx_gallery.gen_gallery",
    "numpydoc",
    "myst_nb",
]
exclude_patterns = ["gallery", "_made/trees", "_made/words.md", "_made/gallery/*.ipynb"]
root_doc = "index"

# pages: Markdown with tables and links to heads; notebooks are run when the site is made
myst_enable_extensions = ["colon_fence", "deflist"]
myst_heading_anchors = 3
nb_execution_mode = "off"  # they come already run, see make_site.py
nb_merge_streams = True

# reference: one page for each public name, from its docstring
autosummary_generate = True
autosummary_imported_members = True
autosummary_filename_map = {
    "trialkit.Fit": "trialkit.Fit_class"
}  # Fit and fit are one file on some
autodoc_typehints = "none"
autodoc_preserve_defaults = True
numpydoc_show_class_members = False
numpydoc_xref_param_type = False


def keep_picture(block, block_vars, gallery_conf):
    """Save what a part of an example drew: its axes, or its figure, called ``ax``."""
    drawn = block_vars["example_globals"].pop("ax", None)
    if drawn is None:
        return ""
    path = next(block_vars["image_path_iterator"])
    getattr(drawn, "figure", drawn).savefig(path, dpi=110, bbox_inches="tight", facecolor="white")
    return figure_rst([path], gallery_conf["src_dir"])


# gallery: each picture beside the code that draws it
sphinx_gallery_conf = {
    "examples_dirs": "gallery",
    "gallery_dirs": "_made/gallery",
    "image_scrapers": (keep_picture,),
    "filename_pattern": r"/draw_",
    "download_all_examples": False,
    "show_memory": False,
    "show_signature": False,
    "min_reported_time": 1e9,
    "write_computation_times": False,
    "within_subsection_order": "FileNameSortKey",
    "abort_on_example_error": True,
    "thumbnail_size": (400, 300),
}

# look: system fonts only, so that nothing is fetched when a page is opened
html_theme = "furo"
html_title = "trialkit"
html_static_path = ["_static"]
html_css_files = ["site.css"]
html_show_sphinx = False
html_copy_source = False
html_show_sourcelink = False
html_theme_options = {
    "light_css_variables": {"color-brand-primary": "#1f5c57", "color-brand-content": "#1f5c57"},
    "dark_css_variables": {"color-brand-primary": "#8fd0c8", "color-brand-content": "#8fd0c8"},
}
mathjax_path = "no-formula-is-set-by-script.js"  # nothing is fetched from elsewhere
suppress_warnings = ["config.cache"]  # a function among the settings of the gallery is no fault
